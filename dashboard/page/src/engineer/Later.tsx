/** A part of the view that is fetched when it is first asked for. */
import type { FunctionComponent } from "preact";
import { useEffect, useState } from "preact/hooks";
import { engineerWords as words } from "../words/engineer.ts";

interface Props<P> {
  /** The same function each time: it names the part. */
  readonly fetch: () => Promise<FunctionComponent<P>>;
  readonly props: P;
}

const held = new Map<unknown, FunctionComponent<never>>();

/** Fetches a part before it is asked for, where it can be had; it then stands at once. */
export function prepare<P>(fetch: () => Promise<FunctionComponent<P>>): void {
  if (held.has(fetch)) return;
  fetch().then(
    (part) => void held.set(fetch, part as FunctionComponent<never>),
    () => undefined, // Whoever asks for it is told.
  );
}

export function Later<P extends object>({ fetch, props }: Props<P>) {
  const [failed, setFailed] = useState<unknown>(null);
  const [, again] = useState(0);
  useEffect(() => {
    if (held.has(fetch)) return;
    let left = false;
    fetch().then(
      (part) => {
        held.set(fetch, part as FunctionComponent<never>);
        if (!left) again((n) => n + 1);
      },
      () => {
        if (!left) setFailed(() => fetch);
      },
    );
    return () => {
      left = true;
    };
  }, [fetch]);
  const Part = held.get(fetch) as FunctionComponent<P> | undefined;
  if (Part) return <Part {...props} />;
  return <p role="status">{failed === fetch ? words.failed : words.coming}</p>;
}
