/** Who outside of the shed notices that the daemon is silent: a dead board rings nobody. */
import type { Alerts } from "../link/rings.ts";
import * as shown from "../state/shown.ts";
import { when } from "../words/clock.ts";
import { ringsWords } from "../words/rings.ts";
import { stale } from "./kept.ts";
import { Filled } from "./Ways.tsx";

const w = ringsWords.watcher;

const at = (t: string): string => when(Date.parse(t), shown.now.value, shown.zone.value);

/** What is known of it, in sentences. */
function tells(x: NonNullable<Alerts["watcher"]>): string {
  if (x.failed) return [w.fails(at(x.failed), x.trouble ?? ""), x.taken ? w.before(at(x.taken)) : ""].filter(Boolean).join(" ");
  if (x.taken) return w.takes(at(x.taken));
  return x.trouble ?? w.untried;
}

export function Watcher({ a }: { a: Alerts }) {
  const x = a.watcher;
  const is = !x ? "none" : x.failed || (x.trouble && !x.taken) ? "fails" : x.taken ? "takes" : "untried";
  return (
    <section class="rings-part" aria-labelledby="rings-watcher">
      <h2 id="rings-watcher">{w.title}</h2>
      <div class="rings-watcher">
        <div class="rings-way-head">
          <h3>{w.name}</h3>
          {stale.value ? <Filled fill="dashed" word={ringsWords.ways.unknownNow} /> : <Filled fill={({ none: "dashed", untried: "dashed", takes: "solid", fails: "hatched" } as const)[is]} word={w.stands[is]} />}
        </div>
        <p>{x ? tells(x) : w.none}</p>
      </div>
    </section>
  );
}
