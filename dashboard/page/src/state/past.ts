/**
 * The past of a channel and of a step, as the sheet draws it: fetched once, then
 * made longer from the live changes. All pure.
 */
import { median } from "d3-array";
import type { Lanes, Onward, Reading, Series, Stamp, Step, Verdict } from "./wire.ts";

/** One point of a curve; `v` is null where a bad sample stands: the line breaks there. */
export interface Point {
  readonly t: number;
  readonly v: number | null;
  readonly lo: number;
  readonly hi: number;
}

export interface Trace {
  readonly points: readonly Point[];
  /** Two points further apart than this, in ms, have a gap between them. */
  readonly gap: number;
}

/** The gap where nothing is known yet of a channel's limit of age: the contract's for temperatures. */
const defaultGap = 60_000;

export const emptyTrace: Trace = { points: [], gap: defaultGap };

/**
 * A fetched series as a trace. Samples further apart than the channel's limit of
 * age are a gap; so are buckets without one, where the series is otherwise denser
 * than that. A bucket narrower than the node's interval is empty without a gap.
 */
export function fromSeries(s: Series, freshS: number): Trace {
  const points: Point[] = [];
  let width = 0;
  for (const b of s.buckets) {
    const from = Date.parse(b.from);
    const to = Date.parse(b.to);
    width = Math.max(width, to - from);
    if (b.count === 0 || b.mean === null || b.min === null || b.max === null) continue;
    points.push({ t: (from + to) / 2, v: b.mean, lo: b.min, hi: b.max });
  }
  const apart = points.slice(1).map((p, i) => p.t - (points[i]?.t ?? p.t));
  const usual = median(apart) ?? width;
  const fresh = freshS > 0 ? freshS * 1000 : defaultGap;
  return { points, gap: Math.max(Math.min(fresh, 2.5 * usual), 1.5 * width) };
}

/**
 * A trace made longer by a live reading. Points older than `keepFrom` are let go.
 * A reading no newer than the last point is already on the sheet. Within `every` ms of
 * the last point but one it takes the last one's place, with the range of both: a sheet
 * shows no more, and what stands before the last point stays as it is.
 */
export function extend(trace: Trace, r: Reading, keepFrom: number, every = 0): Trace {
  const t = Date.parse(r.at);
  const last = trace.points.at(-1);
  if (!Number.isFinite(t) || (last && t <= last.t)) return trace;
  const bad = r.value === null || r.quality === "bad" || !Number.isFinite(r.value);
  if (bad && last?.v === null) return trace;
  const v = bad ? null : r.value;
  const fresh = r.fresh_s > 0 ? r.fresh_s * 1000 : defaultGap;
  const gap = trace.points.length === 0 ? fresh : Math.max(trace.gap, fresh);
  const before = trace.points.at(-2);
  if (v !== null && last && last.v !== null && before && before.v !== null && t - before.t <= Math.min(every, fresh)) {
    const merged: Point = { t, v, lo: Math.min(last.lo, v), hi: Math.max(last.hi, v) };
    return { points: [...trace.points.slice(0, -1), merged], gap };
  }
  const point: Point = { t, v, lo: v ?? 0, hi: v ?? 0 };
  const first = trace.points.findIndex((p) => p.t >= keepFrom);
  const kept = first > 200 ? trace.points.slice(first) : trace.points;
  return { points: [...kept, point], gap };
}

/** The unbroken stretches of a trace within a span of time, one point beyond each end. */
export function runs(trace: Trace, from: number, to: number): Point[][] {
  const out: Point[][] = [];
  let run: Point[] = [];
  let before: Point | null = null;
  for (const p of trace.points) {
    if (p.v === null || (before && p.t - before.t > trace.gap)) {
      if (run.length > 0) out.push(run);
      run = [];
    }
    before = p.v === null ? null : p;
    if (p.v === null) continue;
    if (p.t < from) {
      run = [p]; // The last one before the edge, so that the line comes in from beyond it.
      continue;
    }
    run.push(p);
    if (p.t > to) break;
  }
  if (run.length > 0) out.push(run);
  return out.filter((r) => (r.at(-1)?.t ?? -Infinity) >= from);
}

/** A stretch of a lane with one verdict. */
export interface Stretch {
  readonly from: number;
  readonly to: number;
  readonly verdict: Verdict;
}

/** The past of an engine's lanes: segments by step, and what people said. */
export interface Judged {
  readonly segments: Readonly<Record<string, readonly Onward[]>>;
  readonly stamps: readonly Stamp[];
}

export const unjudged: Judged = { segments: {}, stamps: [] };

export function fromLanes(l: Lanes): Judged {
  return { segments: Object.fromEntries(l.lanes.map((x) => [x.step, x.segments])), stamps: l.stamps };
}

/** The lanes made longer by steps as they are judged from `at` on. */
export function judge(j: Judged, steps: readonly Step[], at: string): Judged {
  let segments = j.segments;
  for (const s of steps) {
    const old = segments[s.id] ?? [];
    const last = old.at(-1);
    if (last && (last.verdict === s.verdict || Date.parse(last.t) > Date.parse(at))) continue;
    // The verdict stands since then, but never from before what is drawn already.
    const since = Date.parse(s.since);
    const t = last && !(since > Date.parse(last.t)) ? at : Number.isFinite(since) && since > 0 ? s.since : at;
    segments = { ...segments, [s.id]: [...old, { t, verdict: s.verdict }] };
  }
  return segments === j.segments ? j : { ...j, segments };
}

/** The stretches of a lane within a span, the last one standing until `until`. */
export function stretches(segments: readonly Onward[], from: number, until: number): Stretch[] {
  const out: Stretch[] = [];
  segments.forEach((s, i) => {
    const a = Math.max(Date.parse(s.t), from);
    const next = segments[i + 1];
    const b = Math.min(next ? Date.parse(next.t) : until, until);
    const before = out.at(-1);
    if (!(b > a)) return;
    if (before && before.verdict === s.verdict && before.to === a) out[out.length - 1] = { ...before, to: b };
    else out.push({ from: a, to: b, verdict: s.verdict });
  });
  return out;
}
