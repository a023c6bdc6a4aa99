/** A part that is written stands as a sentence; its form opens when a person alters it. */
import { useEffect, useState } from "preact/hooks";
import type { ComponentChildren } from "preact";
import { Touch } from "../parts/Touch.tsx";
import { setUpWords as words } from "../words/setup.ts";
import { draft } from "./draft.ts";
import { fates } from "./kept.ts";

interface Props {
  /** The part's id in the draft and among the fates. */
  readonly part: string;
  /** False while nothing of it is written: then the form stands open. */
  readonly written: boolean;
  readonly says: ComponentChildren;
  /** What the word is called that opens it. */
  readonly label: string;
  readonly children: ComponentChildren;
}

export function Folded({ part, written, says, label, children }: Props) {
  const [open, set] = useState(false);
  const fate = fates.value[part];
  const id = `alter-${part.replace(/[^A-Za-z0-9_-]/g, "-")}`;
  const typed = Object.keys(draft.value).some((k) => k.startsWith(`${part}.`));
  const stands = !written || open || typed || fate?.how === "refused";
  useEffect(() => {
    if (fate?.how !== "written") return;
    set(false);
    // The button that was pressed goes with the form: the keyboard goes on from here.
    if (document.activeElement === document.body || document.activeElement === null) document.getElementById(id)?.querySelector("button")?.focus();
  }, [fate?.n]);
  return (
    <>
      {written && (
        <div class="folded" id={id}>
          <div class="folded-says">{says}</div>
          <Touch expanded={stands} label={stands ? `${words.heard.close}: ${label}` : words.heard.alterWhich(label)} onTouch={() => set(!open)}>
            {stands ? words.heard.close : words.heard.alter}
          </Touch>
          <p class="said" role="status">
            {!stands && fate?.how === "written" ? fate.text || words.written : ""}
          </p>
        </div>
      )}
      {stands && children}
    </>
  );
}
