/** The foot of every view: the way to the others, the advice line, and whose word comes first. */
import { engineId } from "../state/shown.ts";
import { ground } from "../state/own.ts";
import { words } from "../words/en.ts";
import { addressOf, place, views } from "./place.ts";

/** The page on which every rule stands, with this engine's values and on the same ground. */
const rulesAt = (id: string, on: string): string => `rules?${new URLSearchParams({ ...(id ? { engine: id } : {}), ground: on }).toString()}`;

export function Foot() {
  return (
    <div class="foot">
      <nav class="views" aria-label={words.views.name}>
        {views.map((v) => (
          <a key={v} href={addressOf(v)} aria-current={v === place.value.view ? "page" : undefined}>
            {words.views[v]}
          </a>
        ))}
        <a href={rulesAt(engineId.value, ground.value)}>{words.rules}</a>
      </nav>
      <p class="advice">{words.advice}</p>
    </div>
  );
}
