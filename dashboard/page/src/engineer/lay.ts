/**
 * Evenings laid over each other: each by a moment of its own, thinned to what paper
 * can show, and what they have in common or not. All pure; times in ms.
 */
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
  /** By channel; what has no entry has not come. */
  readonly curves: Readonly<Record<string, Curve>>;
}

const time = (s: string | null | undefined): number | null => {
  const t = s === null || s === undefined ? NaN : Date.parse(s);
  return Number.isFinite(t) ? t : null;
};

export const marks = [
  "fire_out", "blow_down_begun", "blow_down_finished", "pressure_zero", "plugs_removed", "below_boiling", "smokebox_cool", "firebox_cool", "touchable", "tanks_empty", "barrel_dry",
] as const;
export type Mark = (typeof marks)[number];

type Passed = Readonly<Partial<Record<Mark, number | null>>>;
const passedOf = new WeakMap<PastDisposal, Passed>();

/** When a disposal's marks were passed, read once: a sheet of many evenings asks for them again and again. */
function timesOf(d: PastDisposal): Passed {
  let times = passedOf.get(d);
  if (!times) passedOf.set(d, (times = Object.fromEntries(marks.map((m) => [m, time(d.summary?.passed[m])]))));
  return times;
}

/** The mark that an alignment means. */
export const alignedMark = { "fire-out": "fire_out", "blow-down": "blow_down_begun", "pressure-zero": "pressure_zero" } as const satisfies Readonly<Record<Align, Mark>>;

/** The moment of a disposal that an alignment means; null where it is not known, and the evening cannot be laid by it. */
export const momentOf = (d: PastDisposal, by: Align): number | null => timesOf(d)[alignedMark[by]] ?? null;

/** What lays an evening by a moment: null where that is not known. */
export function shiftOf(d: PastDisposal, by: Align): number | null {
  const [begun, at] = [time(d.begun), momentOf(d, by)];
  return begun === null || at === null ? null : begun - at;
}

/** When a mark was passed, in ms after `from`; null where that is not known. */
export function passed(d: PastDisposal, mark: Mark, from: number | null): number | null {
  const t = timesOf(d)[mark] ?? null;
  return t === null || from === null ? null : t - from;
}

/** Cuts points into stretches: where a value is missing, and where two lie further apart than `gap`. */
export function stretches(t: readonly number[], v: readonly (number | null)[], gap: number): Curve {
  const out: Run[] = [];
  let first = 0;
  const cut = (end: number): void => {
    if (end > first) out.push({ t: new Float64Array(t.slice(first, end)), v: new Float64Array(v.slice(first, end) as number[]) });
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

/**
 * Thins a stretch to `most` points, 3 or more, by largest triangles, which keep its corners;
 * the ends stay. From each of the equal buckets between them comes the point that spans the
 * largest triangle with the point before it and the middle of the bucket after it
 * (S. Steinarsson, Downsampling Time Series for Visual Representation, University of
 * Iceland 2013, section 4.2). The library that thins the live curves gives the same; it makes
 * an array of each point, which for a hundred and fifty curves takes longer than all else.
 */
export function thin(r: Run, most: number): Run {
  const n = r.t.length;
  if (n <= most) return r;
  const [t, v] = [new Float64Array(most), new Float64Array(most)];
  const per = (n - 2) / (most - 2);
  const from = (bucket: number): number => Math.min(n - 1, 1 + Math.floor(bucket * per));
  let at = 0;
  for (let k = 0; k < most - 1; k++) {
    const [ta, va] = [(t[k] = r.t[at] as number), (v[k] = r.v[at] as number)];
    if (k === most - 2) break;
    const [begin, end, after] = [from(k), from(k + 1), k === most - 3 ? n : from(k + 2)];
    let [tc, vc] = [0, 0];
    for (let i = end; i < after; i++) {
      tc += r.t[i] as number;
      vc += r.v[i] as number;
    }
    tc /= after - end;
    vc /= after - end;
    let largest = -1;
    for (let i = begin; i < end; i++) {
      const twice = Math.abs((ta - tc) * ((r.v[i] as number) - va) - (ta - (r.t[i] as number)) * (vc - va));
      if (twice > largest) {
        largest = twice;
        at = i;
      }
    }
  }
  t[most - 1] = r.t[n - 1] as number;
  v[most - 1] = r.v[n - 1] as number;
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
  for (const { t, v } of c) {
    // Between each point and the next. What lies in a typed array is there: no index leaves it.
    let k = Math.max(0, Math.ceil(((t[0] as number) - from) / per));
    let at = from + k * per;
    if (k <= steps && t.length === 1 && t[0] === at) out[k] = v[0] as number;
    for (let i = 1; i < t.length && k <= steps; i++) {
      const [t0, t1] = [t[i - 1] as number, t[i] as number];
      if (at > t1) continue;
      const [v0, slope] = [v[i - 1] as number, ((v[i] as number) - (v[i - 1] as number)) / (t1 - t0)];
      for (; at <= t1 && k <= steps; at = from + ++k * per) out[k] = t1 > t0 ? v0 + slope * (at - t0) : v0;
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
  const [lo, hi, count] = [new Float64Array(n).fill(Infinity), new Float64Array(n).fill(-Infinity), new Uint32Array(n)];
  for (const s of all)
    for (let k = 0; k < n; k++) {
      const v = s[k] as number;
      if (v !== v) continue; // Not known.
      count[k] = (count[k] as number) + 1;
      if (v < (lo[k] as number)) lo[k] = v;
      if (v > (hi[k] as number)) hi[k] = v;
    }
  for (let k = 0; k < n; k++) if ((count[k] as number) < 2) lo[k] = hi[k] = NaN;
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

/** Whether a curve and a band are known at one moment at least: else it lies neither within nor outside. */
export const knownTogether = (a: Float64Array, band: Band): boolean => a.some((v, k) => !Number.isNaN(v + (band.lo[k] ?? NaN)));

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
