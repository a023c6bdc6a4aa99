/** What the boiler still holds: a quiet line for each quantity, with its uncertainty or with why it is not known. */
import { energy } from "../state/energy.ts";
import type { Quantity } from "../state/wire.ts";
import { words } from "../words/en.ts";
import { retold, spread } from "../words/units.ts";
import { units } from "./told.ts";

/** "256 ± 32 MJ" for the boiler's strip; empty where it is not known. */
export const heldShort = (): string => {
  const q = energy.value?.energy_mj;
  return q ? words.held.short(spread(q)) : "";
};

export function Held() {
  const e = energy.value;
  if (!e) return null;
  const w = words.held;
  const told = (q: Quantity | undefined, say: (s: string) => string, most?: number, atMost = say, not = w.notKnown): string =>
    q ? say(spread(q)) : most !== undefined ? atMost(`${most}`) : not;
  const share = e.flash_share && w.share(spread({ value: 100 * e.flash_share.value, u: 100 * e.flash_share.u }));
  const rows: readonly (readonly [string, string])[] = [
    [w.energy, told(e.energy_mj, w.over, e.energy_most_mj, w.overMost)],
    [w.water, told(e.water_kg, w.kg, e.water_most_kg, w.kgMost)],
    [w.flash, `${share ?? ""}${told(e.flash_kg, w.steam, e.flash_most_kg, w.steamMost, share ? w.steamNot : w.notKnown)}`],
    [w.loss, `${told(e.loss_kw, w.kw)}${e.why_no_loss && e.why_no_loss !== e.why ? ` ${e.why_no_loss}` : ""}`],
  ];
  return (
    <>
      <h2>{w.name}</h2>
      {e.why && <p class="list-none">{e.why}</p>}
      {rows.map(([name, text]) => (
        <div key={name} class="list-row">
          <span class="list-name">{name}</span>
          <span class="list-text">{retold(text, units())}</span>
        </div>
      ))}
    </>
  );
}
