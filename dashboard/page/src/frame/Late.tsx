/** A view that is fetched when it is first asked for, so that the tablet at the pit loads only its own. */
import { useEffect, useState } from "preact/hooks";
import type { FunctionComponent } from "preact";
import { words } from "../words/en.ts";
import { Foot } from "./Foot.tsx";

interface Props {
  /** The same function each time: it names the view. */
  readonly fetch: () => Promise<FunctionComponent>;
}

const held = new Map<Props["fetch"], FunctionComponent>();

export function Late({ fetch }: Props) {
  const [state, set] = useState<"waiting" | "failed" | "here">(held.has(fetch) ? "here" : "waiting");
  useEffect(() => {
    if (held.has(fetch)) return set("here");
    let left = false;
    fetch().then(
      (View) => {
        held.set(fetch, View);
        if (!left) set("here");
      },
      () => {
        if (!left) set("failed");
      },
    );
    return () => {
      left = true;
    };
  }, [fetch]);
  const View = held.get(fetch);
  if (View && state === "here") return <View />;
  return (
    <main class="view">
      <p role="status">{state === "failed" ? words.viewFailed : words.viewComing}</p>
      <Foot />
    </main>
  );
}
