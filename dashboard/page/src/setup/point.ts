/** A point of a calibration: a reading averaged over some seconds, with its scatter. */

export interface Heard {
  /** The sample's own time, in ms. */
  readonly at: number;
  /** In the channel's unit; NaN where there was no number. */
  readonly value: number;
  /** Why it is not good; empty where it is. */
  readonly why: string;
}

/** How long a reading is averaged at least, and at most, in s. Common practice, no source. */
export const shortestS = 10;
export const longestS = 60;
/** Fewer readings than this tell nothing of their scatter. Common practice, no source. */
export const fewest = 4;

/** How long to listen to a sensor that sends every `interval` seconds; 0 for one whose interval is not known. */
export const listenS = (interval: number): number => Math.min(longestS, Math.max(shortestS, (Number.isFinite(interval) ? interval : 0) * (fewest + 1)));

/** Adds what was heard, once for each time; what is older than `from` was heard before the point was begun. */
export function hear(all: readonly Heard[], h: Heard, from: number): readonly Heard[] {
  return h.at < from || all.some((x) => x.at === h.at) ? all : [...all, h];
}

export type Averaged =
  | { readonly ok: true; readonly mean: number; /** Standard deviation of one reading. */ readonly scatter: number; readonly count: number }
  | { readonly ok: false; readonly why: "few"; readonly count: number }
  | { readonly ok: false; readonly why: "bad"; readonly count: number; readonly reason: string };

/** The mean and the scatter; refused where any reading was not good, for a doubtful one calibrates nothing. */
export function average(all: readonly Heard[]): Averaged {
  const bad = all.find((h) => h.why !== "" || !Number.isFinite(h.value));
  if (bad) return { ok: false, why: "bad", count: all.length, reason: bad.why };
  if (all.length < fewest) return { ok: false, why: "few", count: all.length };
  const mean = all.reduce((s, h) => s + h.value, 0) / all.length;
  const scatter = Math.sqrt(all.reduce((s, h) => s + (h.value - mean) ** 2, 0) / (all.length - 1));
  return { ok: true, mean, scatter, count: all.length };
}

/** A point as it is kept until all are taken. In the channel's unit. */
export interface Point {
  readonly reading: number;
  readonly scatter: number;
  readonly count: number;
  readonly reference: number;
  /** Expanded uncertainty (coverage factor 2) of the gauge. */
  readonly uncertainty: number;
  /** When it was taken, in ms by the daemon's clock. */
  readonly at: number;
}

/** The points kept as a text of the draft; none where it is no list of points. */
export function pointsOf(kept: string): readonly Point[] {
  try {
    const read: unknown = JSON.parse(kept || "[]");
    return Array.isArray(read) ? read.filter(isPoint) : [];
  } catch {
    return [];
  }
}

const isPoint = (p: unknown): p is Point =>
  typeof p === "object" && p !== null && (["reading", "scatter", "count", "reference", "uncertainty", "at"] as const).every((k) => Number.isFinite((p as Record<string, unknown>)[k]));
