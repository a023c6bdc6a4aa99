/** The engineer's view: which engine, which part of its years, and that part. */
import type { FunctionComponent } from "preact";
import { useEffect } from "preact/hooks";
import { Foot } from "../frame/Foot.tsx";
import { place } from "../frame/place.ts";
import { useIdle } from "../parts/stages.ts";
import * as shown from "../state/shown.ts";
import { dated } from "../words/clock.ts";
import { engineerWords as words } from "../words/engineer.ts";
import "../style/engineer.css";
import { prepareDisposals } from "./fetched.ts";
import { Later, prepare } from "./Later.tsx";
import { addressOfPart, parts, whereOf, type Part, type PartProps } from "./part.ts";
import { reader } from "./read.ts";

const fetches: Record<Part, () => Promise<FunctionComponent<PartProps>>> = {
  evenings: () => import("./Evenings.tsx").then((m) => m.Evenings),
  curves: () => import("./Span.tsx").then((m) => m.Span),
  trends: () => import("./Trends.tsx").then((m) => m.Trends),
  sensors: () => import("./Sensors.tsx").then((m) => m.Sensors),
  book: () => import("./Book.tsx").then((m) => m.Book),
};

/** By then a page that was opened here stands; what comes next is made ready. */
const preparedMs = 2_000;

/** Of the lettering, all that the view uses. */
const weights = [500, 600, 700, 800];

export function Years() {
  const idle = useIdle(preparedMs);
  const where = whereOf(place.value.path);
  const all = shown.engines.value;
  const engine = where.engine === "" ? shown.engine.value : (all.find((e) => e.id === where.engine) ?? null);
  useEffect(() => {
    if (!idle) return;
    prepare(fetches.evenings);
    reader();
    // Lettering that comes while a sheet stands lays it out anew.
    for (const weight of weights) document.fonts.load(`${weight} 1rem "Barlow Semi Condensed"`).catch(() => undefined);
    dated(0, shown.zone.value); // A browser takes its time over the first date in a zone.
  }, [idle]);
  useEffect(() => {
    if (idle && engine) prepareDisposals(engine.id);
  }, [idle, engine?.id]);
  return (
    <main class="view years">
      <div class="years-which">
        <nav class="years-words" aria-label={words.parts}>
          {engine &&
            parts.map((p) => (
              <a key={p} class="touch" href={addressOfPart(engine.id, p)} aria-current={p === where.part ? "page" : undefined}>
                <span>{words.part[p]}</span>
              </a>
            ))}
        </nav>
        <nav class="years-words years-engines" aria-label={words.engines}>
          {all.map((e) => (
            <a key={e.id} class="touch" href={addressOfPart(e.id, where.part)} aria-current={e === engine ? "true" : undefined}>
              <span>{e.name}</span>
            </a>
          ))}
        </nav>
      </div>
      {engine ? (
        <Later key={`${engine.id} ${where.part}`} fetch={fetches[where.part]} props={{ engine }} />
      ) : (
        <>
          <h1>{words.noneTitle}</h1>
          <p role="status">{all.length > 0 ? words.noEngine(where.engine) : words.waiting}</p>
        </>
      )}
      <Foot />
    </main>
  );
}
