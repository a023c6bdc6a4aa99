/** What the evenings laid over each other tell, in words. Pure. */
import type { Units } from "../state/own.ts";
import type { PastDisposal, Rate } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import { clock, dated } from "../words/clock.ts";
import * as write from "../words/units.ts";
import { middle, momentOf, passed, type Align, type Mark } from "./lay.ts";

/** As many evenings beside the bold one are told one by one; of more, their middle and range. */
export const few = 3;

/** What a sheet is drawn to find out: the mark that its heading tells. */
export const target: Readonly<Record<Align, Mark>> = { "fire-out": "pressure_zero", "blow-down": "pressure_zero", "pressure-zero": "below_boiling" };

/** "24 October"; with its year where that is not the newest's, with its time where two began that day. */
export function namesOf(all: readonly { readonly id: string; readonly begun: number }[], zone: string): ReadonlyMap<string, string> {
  if (all.length === 0) return new Map();
  const newest = dated(all.reduce((t, d) => Math.max(t, d.begun), -Infinity), zone).year;
  const full = all.map((d) => {
    const { date, year } = dated(d.begun, zone);
    return { d, name: year === newest ? date : `${date} ${year}` };
  });
  const count = new Map<string, number>();
  for (const f of full) count.set(f.name, (count.get(f.name) ?? 0) + 1);
  return new Map(full.map((f) => [f.d.id, (count.get(f.name) ?? 0) > 1 ? `${f.name} ${clock(f.d.begun, zone)}` : f.name]));
}

/** A mark in minutes after what the sheet is laid by; null where either is not known. */
export const minutesOf = (d: PastDisposal, mark: Mark, by: Align): number | null => passed(d, mark, momentOf(d, by));

/** The heading: how long the bold evening took, and how long the others. */
export function finding(bold: PastDisposal, others: readonly PastDisposal[], by: Align, name: string): string {
  const w = words.finding;
  const mine = minutesOf(bold, target[by], by);
  const theirs = others.map((d) => minutesOf(d, target[by], by)).filter((t) => t !== null);
  if (mine === null) return w.unknown(name, w.came[by]);
  const head = w.took(name, w.came[by], words.min(words.lasting(mine)), w.from[by]);
  return head + against(theirs);
}

function against(theirs: readonly number[]): string {
  const w = words.finding;
  const mid = middle(theirs);
  if (mid === null) return w.againstNone;
  if (theirs.length <= few) return w.against(theirs.length, theirs.map(words.lasting));
  return w.againstMany(theirs.length, words.lasting(mid), words.lasting(Math.min(...theirs)), words.lasting(Math.max(...theirs)));
}

const perHour = (v: number): string => v.toFixed(3);

/** How fast it lost its heat, and whether that tells it apart from the others. */
export function loss(bold: PastDisposal, others: readonly PastDisposal[]): string {
  const w = words.loss;
  const mine = bold.summary?.heat_loss ?? null;
  if (!mine) return w.unknown + w.end;
  const theirs = others.map((d) => d.summary?.heat_loss).filter((r): r is Rate => r !== null && r !== undefined);
  const [lo, hi] = [mine.lo, mine.hi];
  const head = lo !== null && hi !== null ? w.told(perHour(mine.value), perHour(lo), perHour(hi)) : w.toldBare(perHour(mine.value));
  const mid = middle(theirs.map((r) => r.value));
  if (mid === null) return head + w.end;
  const values = theirs.map((r) => r.value);
  const rest = theirs.length <= few ? w.against(values.map(perHour)) : w.againstMany(perHour(mid), perHour(Math.min(...values)), perHour(Math.max(...values)));
  if (lo === null || hi === null) return head + rest + w.end;
  // Few: each has an interval of its own. Many: their scatter says how far one evening may lie off.
  const apart = theirs.length <= few
    ? theirs.every((r) => r.lo !== null && r.hi !== null && (r.lo > hi || r.hi < lo))
    : lo > Math.max(...values) || hi < Math.min(...values);
  return head + rest + (apart ? w.apart : w.notApart);
}

/** A value of a channel in the person's units, without the unit's name; "no reading" in a gap. */
export function figure(channel: string, v: number, u: Units, digits = 0): string {
  if (!Number.isFinite(v)) return words.noReading;
  return channel === "boiler.pressure" ? write.pressure(v, u) : write.temperature(v, u, digits);
}

export const unitOf = (channel: string, u: Units): string => (channel === "boiler.pressure" ? write.pressureName(u) : write.temperatureName(u));

/** A difference of a channel, with its unit: of temperatures in K, or in °F as a difference. */
export function difference(channel: string, by: number, u: Units): string {
  if (channel === "boiler.pressure") return `${write.pressure(by, u)} ${write.pressureName(u)}`;
  return u.temperature === "C" ? `${by.toFixed(0)} K` : `${(by * 1.8).toFixed(0)} \u00b0F`;
}
