/** The papers of one disposal, fetched with their progress told, and handed to the device whole or not at all. */
import { useEffect, useRef, useState } from "preact/hooks";
import { paper, papers, Stopped, type Coming, type Paper } from "../link/record.ts";
import { Touch } from "../parts/Touch.tsx";
import { counted, sized, yearsWords } from "../words/years.ts";
import "../style/years.css";
import { whyOf } from "./called.ts";
import type { EveningProps } from "./part.ts";

const w = yearsWords.papers;

export function Papers({ engine, disposal }: EveningProps) {
  return (
    <section class="papers" aria-label={w.title}>
      <h2>{w.title}</h2>
      {!disposal.ended && <p class="how">{w.open}</p>}
      <ul key={`${engine.id} ${disposal.id}`}>
        {papers.map((p) => (
          <One key={p} engine={engine.id} id={disposal.id} which={p} />
        ))}
      </ul>
    </section>
  );
}

type Fare =
  | { readonly how: "none" }
  | { readonly how: "coming"; readonly far: Coming | null }
  | { readonly how: "said"; readonly text: string };

function One({ engine, id, which }: { engine: string; id: string; which: Paper }) {
  const [fare, set] = useState<Fare>({ how: "none" });
  const stop = useRef<AbortController | null>(null);
  useEffect(() => () => stop.current?.abort(), []);
  const name = w.name[which];
  const fetch = async (): Promise<void> => {
    const mine = new AbortController();
    stop.current = mine;
    set({ how: "coming", far: null });
    try {
      const { blob, name: called, rows } = await paper(engine, id, which, mine, (c) => set({ how: "coming", far: c }));
      const file = called || w.file(engine, id, which);
      hand(blob, file);
      set({ how: "said", text: rows === null ? w.here(file, sized(blob.size)) : w.hereRows(file, counted(rows), sized(blob.size)) });
    } catch (err) {
      set({ how: "said", text: err instanceof Stopped ? w.stopped : w.failed(whyOf(err)) });
    }
  };
  return (
    <li class="paper" data-paper={which}>
      {fare.how === "coming" ? (
        <Touch label={w.stopWhich(name)} onTouch={() => stop.current?.abort()}>
          {w.stop}
        </Touch>
      ) : (
        <Touch label={w.fetch(name)} onTouch={() => void fetch()}>
          {name}
        </Touch>
      )}
      <span class="paper-what">
        {fare.how === "coming" ? <strong>{`${name}: `}</strong> : null}
        {fare.how === "coming" ? progress(fare.far) : w.what[which]}
      </span>
      <span class="paper-fare" role="status">
        {fare.how === "said" ? fare.text : ""}
      </span>
    </li>
  );
}

function progress(c: Coming | null): string {
  if (!c) return w.begins;
  if (c.ofRows !== null && c.ofRows > 0) return w.comingRows(counted(c.rows), counted(c.ofRows), Math.round((100 * c.rows) / c.ofRows));
  if (c.ofBytes !== null && c.ofBytes > 0) return w.comingOf(sized(c.bytes), sized(c.ofBytes), Math.round((100 * c.bytes) / c.ofBytes));
  return w.coming(sized(c.bytes));
}

/** Gives a file to the device, as its browser does with one that is saved. */
function hand(blob: Blob, name: string): void {
  const at = URL.createObjectURL(blob);
  const a = document.createElement("a");
  a.href = at;
  a.download = name;
  document.body.append(a);
  a.click();
  a.remove();
  // Not at once: the browser may still be about to read it.
  setTimeout(() => URL.revokeObjectURL(at), 60_000);
}
