/**
 * Evenings laid over each other: each by a moment of its own, thinned to what paper
 * can show, and what they have in common or not. All pure; times in ms.
 */
import { createLTTB } from "downsample/methods/LTTB";
import type { PastDisposal } from "../state/wire.ts";

/** What the evenings are laid by. */
export const aligns = ["fire-out", "blow-down", "pressure-zero"] as const;
export type Align = (typeof aligns)[number];

/** An unbroken stretch of a curve; `t` are ms since its evening began, rising. */
export interface Run {
  readonly t: Float64Array;
  readonly v: Float64Array;
}

/** A curve as its unbroken stretches: a gap stays a gap. */
export type Curve = readonly Run[];

/** An evening on the sheet. */
export interface Laid {
  readonly id: string;
  readonly disposal: PastDisposal;
  /** What a curve's time is moved by, in ms: from the evening's beginning to the moment that it is laid by. */
  readonly shift: number;
  /** By channel. */
  readonly curves: Readonly<Record<string, Curve>>;
}

const time = (s: string | null | undefined): number | null => {
  const t = s === null || s === undefined ? NaN : Date.parse(s);
  return Number.isFinite(t) ? t : null;
};

/** The moment of a disposal that an alignment means; null where it is not known, and the evening cannot be laid by it. */
export function momentOf(d: PastDisposal, by: Align): number | null {
  const p = d.summary?.passed;
  switch (by) {
    case "fire-out":
      return time(p?.fire_out);
    case "blow-down":
      return time(p?.blow_down_begun);
    case "pressure-zero":
      return time(p?.pressure_zero);
    default:
      return by satisfies never;
  }
}

export const marks = [
  "fire_out", "blow_down_begun", "blow_down_finished", "pressure_zero", "plugs_removed", "below_boiling", "smokebox_cool", "firebox_cool", "touchable", "tanks_empty", "barrel_dry",
] as const;
export type Mark = (typeof marks)[number];

/** What lays an evening by a moment: null where that is not known. */
export function shiftOf(d: PastDisposal, by: Align): number | null {
  const [begun, at] = [time(d.begun), momentOf(d, by)];
  return begun === null || at === null ? null : begun - at;
}

/** When a mark was passed, in ms after `from`; null where that is not known. */
export function passed(d: PastDisposal, mark: Mark, from: number | null): number | null {
  const t = time(d.summary?.passed[mark]);
  return t === null || from === null ? null : t - from;
}

/** Cuts points into stretches: where a value is missing, and where two lie further apart than `gap`. */
export function stretches(t: readonly number[], v: readonly (number | null)[], gap: number): Curve {
  const out: Run[] = [];
  let first = 0;
  const cut = (end: number): void => {
    if (end > first) out.push({ t: Float64Array.from(t.slice(first, end)), v: Float64Array.from(v.slice(first, end) as number[]) });
  };
  for (let i = 0; i < t.length; i++) {
    const here = v[i];
    const broken = here === null || here === undefined || !Number.isFinite(here);
    if (broken || (i > first && (t[i] ?? 0) - (t[i - 1] ?? 0) > gap)) {
      cut(i);
      first = broken ? i + 1 : i;
    }
  }
  cut(t.length);
  return out;
}

/** Thins a stretch to `most` points by largest triangles, which keep its corners; the ends stay. */
export function thin(r: Run, most: number): Run {
  if (r.t.length <= most) return r;
  const few = createLTTB<number>({ x: (i: number) => r.t[i] ?? 0, y: (i: number) => r.v[i] ?? 0 });
  const kept = few(Array.from(r.t.keys()), Math.max(3, most));
  const [t, v] = [new Float64Array(kept.length), new Float64Array(kept.length)];
  for (let k = 0; k < kept.length; k++) {
    const i = kept[k] ?? 0;
    t[k] = r.t[i] ?? 0;
    v[k] = r.v[i] ?? 0;
  }
  return { t, v };
}

/** Thins a curve: its stretches share `most` points by their lengths. */
export function thinCurve(c: Curve, most: number): Curve {
  const all = c.reduce((n, r) => n + r.t.length, 0);
  return all <= most ? c : c.map((r) => thin(r, Math.max(3, Math.round((most * r.t.length) / all))));
}

/** The value of a curve at a moment, by the line between its neighbours; NaN in a gap and beyond the ends. */
export function valueAt(c: Curve, at: number): number {
  for (const r of c) {
    const n = r.t.length;
    if (n === 0 || at < (r.t[0] ?? 0) || at > (r.t[n - 1] ?? 0)) continue;
    let [lo, hi] = [0, n - 1];
    while (hi - lo > 1) {
      const mid = (lo + hi) >> 1;
      if ((r.t[mid] ?? 0) <= at) lo = mid;
      else hi = mid;
    }
    const [t0, t1, v0, v1] = [r.t[lo] ?? 0, r.t[hi] ?? 0, r.v[lo] ?? NaN, r.v[hi] ?? NaN];
    return t1 > t0 ? v0 + ((v1 - v0) * (at - t0)) / (t1 - t0) : v0;
  }
  return NaN;
}

/** A curve at equal steps, for what evenings have in common; NaN in gaps. */
export function sampled(c: Curve, from: number, to: number, steps: number): Float64Array {
  const out = new Float64Array(steps + 1).fill(NaN);
  const per = (to - from) / steps;
  for (const r of c) {
    const n = r.t.length;
    let i = 0;
    const first = Math.max(0, Math.ceil(((r.t[0] ?? 0) - from) / per));
    for (let k = first; k <= steps; k++) {
      const at = from + k * per;
      while (i < n - 1 && (r.t[i + 1] ?? 0) < at) i++;
      const [t0, t1] = [r.t[i] ?? 0, r.t[i + 1] ?? NaN];
      if (t0 === at) out[k] = r.v[i] ?? NaN;
      else if (at > t0 && at <= t1) out[k] = (r.v[i] ?? NaN) + (((r.v[i + 1] ?? NaN) - (r.v[i] ?? NaN)) * (at - t0)) / (t1 - t0);
      else if (at > (r.t[n - 1] ?? 0)) break;
    }
  }
  return out;
}

/** The lowest and highest of all at each step; NaN where fewer than two are known: one is no band. */
export interface Band {
  readonly from: number;
  readonly per: number;
  readonly lo: Float64Array;
  readonly hi: Float64Array;
}

export function bandOf(all: readonly Float64Array[], from: number, to: number): Band {
  const n = all[0]?.length ?? 0;
  const [lo, hi] = [new Float64Array(n).fill(NaN), new Float64Array(n).fill(NaN)];
  for (let k = 0; k < n; k++) {
    let count = 0;
    let [a, b] = [Infinity, -Infinity];
    for (const s of all) {
      const v = s[k] ?? NaN;
      if (Number.isNaN(v)) continue;
      count++;
      if (v < a) a = v;
      if (v > b) b = v;
    }
    if (count < 2) continue;
    lo[k] = a;
    hi[k] = b;
  }
  return { from, per: n > 1 ? (to - from) / (n - 1) : 0, lo, hi };
}

/** Between two curves, where both are known. */
export const between = (a: Float64Array, b: Float64Array, from: number, to: number): Band => bandOf([a, b], from, to);

/** Where two curves differ most, and by how much; null where they are never known together. */
export function differsMost(a: Float64Array, b: Float64Array, from: number, to: number): { readonly at: number; readonly by: number } | null {
  let best: { at: number; by: number } | null = null;
  for (let k = 0; k < a.length; k++) {
    const by = Math.abs((a[k] ?? NaN) - (b[k] ?? NaN));
    if (by > (best?.by ?? -1)) best = { at: from + (k * (to - from)) / Math.max(1, a.length - 1), by };
  }
  return best;
}

/** The stretches in which a curve lies outside a band by more than `slack`, in ms. */
export function outside(a: Float64Array, band: Band, slack: number): { readonly from: number; readonly to: number }[] {
  const out: { from: number; to: number }[] = [];
  let open = false;
  for (let k = 0; k < a.length; k++) {
    const v = a[k] ?? NaN;
    const is = v < (band.lo[k] ?? NaN) - slack || v > (band.hi[k] ?? NaN) + slack;
    const at = band.from + k * band.per;
    const last = out.at(-1);
    if (is && open && last) last.to = at;
    else if (is) out.push({ from: at, to: at });
    open = is;
  }
  return out;
}

export const middle = (all: readonly number[]): number | null => {
  const s = [...all].sort((a, b) => a - b);
  const n = s.length;
  if (n === 0) return null;
  return n % 2 === 1 ? (s[(n - 1) / 2] ?? null) : ((s[n / 2 - 1] ?? 0) + (s[n / 2] ?? 0)) / 2;
};
