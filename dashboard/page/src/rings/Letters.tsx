/** The newest messages, and what became of each by each way. */
import type { Alerts, Letter } from "../link/rings.ts";
import * as shown from "../state/shown.ts";
import { when } from "../words/clock.ts";
import { ringsWords } from "../words/rings.ts";
import { messagesOf } from "./choose.ts";
import { Filled, nameOf } from "./Ways.tsx";

const w = ringsWords.letters;

const at = (t: string): string => when(Date.parse(t), shown.now.value, shown.zone.value);
const fill = (state: string): "solid" | "hatched" | "dashed" => (state === "taken" ? "solid" : state === "waiting" ? "hatched" : "dashed");

/** What became of it, beside its word. */
function fate(l: Letter): string {
  const tries = l.attempts > (l.state === "taken" ? 1 : 0) ? w.tries(l.attempts) : "";
  switch (l.state) {
    case "taken":
      return [l.taken ? at(l.taken) : "", tries].filter(Boolean).join(", ");
    case "waiting":
      return [tries, l.next ? w.waits(at(l.next)) : "", l.trouble ?? ""].filter(Boolean).join(", ");
    case "over":
      return [w.over, tries].filter(Boolean).join(", ");
    default:
      return [tries, l.trouble ?? ""].filter(Boolean).join(", ");
  }
}

export function Letters({ a }: { a: Alerts }) {
  const way = (id: string): string => {
    const x = a.ways.find((y) => y.id === id);
    return x ? nameOf(x) : nameOf({ id, name: w.gone });
  };
  return (
    <section class="rings-part" aria-labelledby="rings-letters">
      <h2 id="rings-letters">{w.title}</h2>
      {a.letters.length === 0 && <p>{w.none}</p>}
      <ol class="rings-list">
        {messagesOf(a.letters).map((same) => {
          const [first] = same;
          return first ? (
            <li key={first.id} class="rings-message">
              <p>
                <time dateTime={first.t}>{at(first.t)}</time> <strong>{first.line}</strong>
              </p>
              <ul>
                {same.map((l) => (
                  <li key={l.id}>
                    <Filled fill={fill(l.state)} word={w.state[l.state] ?? w.unknown} />
                    <span>{[way(l.way), fate(l)].filter(Boolean).join(": ")}</span>
                  </li>
                ))}
              </ul>
            </li>
          ) : null;
        })}
      </ol>
    </section>
  );
}
