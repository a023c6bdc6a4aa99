/** Evenings laid over each other, and the list of all from which they are chosen. */
import { useCallback, useEffect, useMemo, useState } from "preact/hooks";
import { place } from "../frame/place.ts";
import { mostOverlaid } from "../link/years.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import type { Engine, PastDisposal } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import { addressOfChosen, before, chosenOf, pick, type Chosen } from "./chosen.ts";
import { useCurves } from "./curves.ts";
import { useDisposals } from "./fetched.ts";
import { aligns, shiftOf, type Laid } from "./lay.ts";
import { Later } from "./Later.tsx";
import { List } from "./List.tsx";
import { Overlay } from "./Overlay.tsx";
import { addressOfPart, whereOf, type EveningProps, type PartProps } from "./part.ts";
import { channelsOf } from "./strips.ts";
import { finding, loss, namesOf } from "./told.ts";

/** What stands under the sheet waits for the curves, but no longer than this. */
const afterMs = 1_500;

/** How many of those before are offered at a touch. */
const offered = [2, 9, 49];

const whatIf = () => import("./WhatIf.tsx").then((m) => m.WhatIf);
const papers = () => import("./Papers.tsx").then((m) => m.Papers);

/** Goes to another choice. Only another bold evening is a step of its own for the browser's "back". */
function choose(engine: string, c: Chosen, step = false): void {
  const address = addressOfChosen(engine, c);
  if (step) location.hash = address;
  else location.replace(address);
}

export function Evenings({ engine }: PartProps) {
  const list = useDisposals(engine.id);
  switch (list.kind) {
    case "coming":
      return (
        <>
          <h1>{words.title(engine.name)}</h1>
          <p role="status">{words.fetchingEvenings}</p>
        </>
      );
    case "failed":
      return (
        <>
          <h1>{words.title(engine.name)}</h1>
          <p role="alert">{list.why}</p>
          <Touch onTouch={list.again}>{words.again}</Touch>
        </>
      );
    case "here":
      return <All engine={engine} all={list.value} />;
    default:
      return list satisfies never;
  }
}

function All({ engine, all }: { engine: Engine; all: readonly PastDisposal[] }) {
  const zone = shown.zone.value;
  const names = useMemo(() => namesOf(all.map((d) => ({ id: d.id, begun: Date.parse(d.begun) })), zone), [all, zone]);
  const [under, setUnder] = useState(false);
  const came = useCallback(() => setUnder(true), []);
  useEffect(() => {
    const timer = setTimeout(came, afterMs);
    return () => clearTimeout(timer);
  }, []);
  const chosen = chosenOf(whereOf(place.value.path).rest);
  const picked = useMemo(() => pick(all, chosen), [all, chosen.bold, chosen.over?.join(), chosen.by]);
  if (!picked)
    return (
      <>
        <h1>{words.noEvenings}</h1>
        <p class="years-second">{words.noEveningsWhy}</p>
      </>
    );
  const { bold, over, cannot, known } = picked;
  const name = (d: PastDisposal): string => names.get(d.id) ?? d.id;
  const now: Chosen = { bold: bold.id, over: over.map((d) => d.id), by: chosen.by };
  const pull = (d: PastDisposal): void => {
    const held = now.over ?? [];
    if (held.includes(d.id)) return choose(engine.id, { ...now, over: held.filter((id) => id !== d.id) });
    if (held.length + 1 < mostOverlaid) choose(engine.id, { ...now, over: [...held, d.id] });
  };
  const draw = (d: PastDisposal): void => {
    // The one that was bold goes under, in place of the new one.
    const held = (now.over ?? []).map((id) => (id === d.id ? bold.id : id));
    choose(engine.id, { ...now, bold: d.id, over: held.includes(bold.id) ? held : chosen.over === null ? null : held }, true);
    scrollTo({ top: 0 });
  };
  const span = addressOfPart(engine.id, "curves", bold.begun, bold.ended ?? new Date(Date.parse(bold.begun) + 12 * 3_600_000).toISOString());
  return (
    <>
      {!known && <p role="status">{words.noSuchEvening(chosen.bold)}</p>}
      <h1 class="years-title">{finding(bold, over, chosen.by, name(bold))}</h1>
      <p class="years-second">{loss(bold, over)}</p>
      <div class="years-choose">
        <div class="choice" role="group" aria-label={words.alignOn}>
          <span class="choice-name">{words.alignOn}</span>
          {aligns.map((a) => (
            <Touch key={a} pressed={a === chosen.by} onTouch={() => choose(engine.id, { ...now, by: a })}>
              {words.align[a]}
            </Touch>
          ))}
        </div>
        <div class="choice years-under" role="group" aria-label={words.under}>
          <span class="choice-name">{words.under}</span>
          {over.length <= 4 &&
            over.map((d) => (
              <Touch key={d.id} pressed onTouch={() => pull(d)}>
                {name(d)}
              </Touch>
            ))}
          {offered.map((n) => before(all, bold, n, chosen.by)).filter((b, i, every) => b.length > 0 && b.length !== every[i - 1]?.length && !(over.length <= 4 && same(b, over))).map((b) => (
            <Touch key={b.length} pressed={over.length > 4 && same(b, over)} onTouch={() => choose(engine.id, { ...now, over: b.map((d) => d.id) })}>
              {words.nearest(b.length)}
            </Touch>
          ))}
          <button type="button" class="touch" onClick={() => document.getElementById("evenings")?.scrollIntoView({ block: "start" })}>
            <span>{words.another}</span>
          </button>
        </div>
      </div>
      <Sheet engine={engine} bold={bold} over={over} cannot={cannot} by={chosen.by} names={names} span={span} onCame={came} />
      {under && (
        <>
          <div class="years-beside">
            <Later<EveningProps> key={`papers ${bold.id}`} fetch={papers} props={{ engine, disposal: bold }} />
            <Later<EveningProps> key={`what-if ${bold.id}`} fetch={whatIf} props={{ engine, disposal: bold }} />
          </div>
          <List engine={engine} all={all} bold={bold.id} over={now.over ?? []} names={names} zone={zone} onDraw={draw} onPull={pull} />
        </>
      )}
    </>
  );
}

const same = (a: readonly PastDisposal[], b: readonly PastDisposal[]): boolean => a.length === b.length && a.every((d) => b.includes(d));

interface SheetProps {
  readonly engine: Engine;
  readonly bold: PastDisposal;
  readonly over: readonly PastDisposal[];
  readonly cannot: readonly PastDisposal[];
  readonly by: Chosen["by"];
  readonly names: ReadonlyMap<string, string>;
  /** The address of the bold evening as any span. */
  readonly span: string;
  /** Called once all curves have come and are drawn. */
  readonly onCame: () => void;
}

/** The curves of what was chosen, as they come. */
function Sheet({ engine, bold, over, cannot, by, names, span, onCame }: SheetProps) {
  const of = channelsOf(engine);
  const channels = useMemo(() => [of.boiler, of.shell, of.firebox].filter((c) => engine.measured.includes(c)), [engine]);
  const wanted = useMemo(() => [bold, ...over], [bold, over]);
  const curves = useCurves(engine.id, wanted, channels, by);
  const drawn = useCallback(() => {
    if (curves.whole >= wanted.length) onCame();
  }, [curves.whole, wanted]);
  const laid = useMemo(() => {
    // One whose curves are still on their way has its figures already.
    const lay = (d: PastDisposal): Laid | null => {
      const shift = shiftOf(d, by);
      return shift === null ? null : { id: d.id, disposal: d, shift, curves: curves.of.get(d.id) ?? {} };
    };
    return { bold: lay(bold), others: over.map(lay).filter((l) => l !== null) };
  }, [bold, over, by, curves.of]);
  const name = (d: PastDisposal): string => names.get(d.id) ?? d.id;
  return (
    <>
      {cannot.length > 0 && (
        <p class="years-note" role="status">
          {cannot.length > 4 ? words.cannotLayMany(cannot.length, words.align[by]) : words.cannotLay(cannot.map(name), words.align[by])}
        </p>
      )}
      {curves.trouble && (
        <p class="years-note" role="alert">
          {curves.trouble.why} <Touch onTouch={curves.trouble.again}>{words.again}</Touch>
        </p>
      )}
      {laid.bold && (curves.of.size > 0 || !curves.trouble) && (
        <Overlay engine={engine} bold={laid.bold} others={laid.others} by={by} names={names} coming={curves.coming} onDrawn={drawn}>
          <a class="touch years-link" href={span}>
            <span>{words.toSecond}</span>
          </a>
        </Overlay>
      )}
      <p class="aloud" role="status" data-laid={curves.whole}>
        {curves.coming ? words.fetching : ""}
      </p>
    </>
  );
}
