/** A past evening judged by other limits: what a person may put, and what came of it in words. Pure. */
import { stretches, type Stretch } from "../state/past.ts";
import type { Units } from "../state/own.ts";
import type { Limit, Rerun, RerunSegment, RerunStep } from "../state/wire.ts";
import { yearsWords } from "../words/years.ts";
import { lasting } from "../words/clock.ts";
import { pascalPerBar, pascalPerPsi } from "../words/units.ts";

const w = yearsWords.whatIf;

/** A limit's unit as a person reads it: from the wire's and back. */
export interface Measure {
  readonly unit: string;
  shown(v: number): number;
  kept(v: number): number;
}

const barPerPsi = pascalPerPsi / pascalPerBar;

export function measureOf(unit: string, u: Units): Measure {
  if (unit === "bar" && u.pressure === "psi") return { unit: "psi", shown: (v) => v / barPerPsi, kept: (v) => v * barPerPsi };
  if (unit === "\u00b0C" && u.temperature === "F") return { unit: "\u00b0F", shown: (v) => (v * 9) / 5 + 32, kept: (v) => ((v - 32) * 5) / 9 };
  if ((unit === "K" || unit === "K/h") && u.temperature === "F") return { unit: unit.replace("K", "\u00b0F"), shown: (v) => (v * 9) / 5, kept: (v) => (v * 5) / 9 };
  return { unit, shown: (v) => v, kept: (v) => v };
}

/** A value as a person would write it: as many figures as it needs, four at most. */
export const written = (v: number, m: Measure): string => String(Number(m.shown(v).toPrecision(4)));

/** What a person wrote for a limit. */
export type Put = { readonly value: number } | { readonly wrong: string };

export function putOf(text: string, l: Limit, m: Measure): Put {
  const t = text.trim().replace(",", ".").replace("\u2212", "-");
  const v = t === "" ? NaN : Number(t);
  if (!Number.isFinite(v)) return { wrong: w.notANumber };
  // What stands in force, written again, is that very value and not its rounding.
  const kept = l.value !== null && t === written(l.value, m) ? l.value : m.kept(v);
  const hair = 1e-9 * Math.max(1, Math.abs(l.min), Math.abs(l.max));
  const [lo, hi] = [written(l.min, m), written(l.max, m)];
  if (kept < l.min - hair || kept > l.max + hair) {
    // The ends as they are written stand for the ends themselves.
    if (t === lo) return { value: l.min };
    if (t === hi) return { value: l.max };
    return { wrong: w.outside(lo, hi, m.unit) };
  }
  return { value: Math.min(l.max, Math.max(l.min, kept)) };
}

/** The limits that a verdict rests on; the others move none. */
export const movable = (all: readonly Limit[]): Limit[] => all.filter((l) => l.steps.length > 0);

/** The stretches of a lane within the rerun's own span. */
export function barsOf(all: readonly RerunSegment[], r: Pick<Rerun, "from" | "to">): Stretch[] {
  const [from, to] = [Date.parse(r.from), Date.parse(r.to)];
  return all
    .map((s) => ({ from: Math.max(from, Date.parse(s.from)), to: Math.min(to, Date.parse(s.to)), verdict: s.verdict }))
    .filter((s) => s.to > s.from);
}

/** True where the two lanes of a step are drawn alike. */
export function same(s: RerunStep, r: Pick<Rerun, "from" | "to">): boolean {
  const [a, b] = [joined(barsOf(s.was, r)), joined(barsOf(s.now, r))];
  return a.length === b.length && a.every((x, i) => x.verdict === b[i]?.verdict && Math.abs(x.from - (b[i]?.from ?? 0)) < 1000 && Math.abs(x.to - (b[i]?.to ?? 0)) < 1000);
}

const joined = (all: readonly Stretch[]): Stretch[] =>
  all.length === 0 ? [] : stretches(all.map((s) => ({ t: new Date(s.from).toISOString(), verdict: s.verdict })), all[0]?.from ?? 0, all.at(-1)?.to ?? 0);

/** What became of a step: when it was first proven, when it would have been, and by how much that is moved. */
export function moved(s: RerunStep, r: Pick<Rerun, "from" | "to">, clock: (t: number) => string): string {
  const [was, now] = [at(s.first_proven_was), at(s.first_proven_now)];
  if (was === null && now === null) return same(s, r) ? w.neverSame : w.neverMoved;
  if (was === null && now !== null) return w.onlyNow(clock(now));
  if (was !== null && now === null) return w.onlyWas(clock(was));
  const by = s.moved_s ?? ((now ?? 0) - (was ?? 0)) / 1000;
  if (Math.abs(by) < 1) return same(s, r) ? w.unmoved(clock(was ?? 0)) : w.otherwise(clock(was ?? 0));
  return (by > 0 ? w.later : w.earlier)(clock(was ?? 0), clock(now ?? 0), lasting(Math.abs(by)));
}

const at = (s: string | null): number | null => {
  const t = s === null ? NaN : Date.parse(s);
  return Number.isFinite(t) ? t : null;
};
