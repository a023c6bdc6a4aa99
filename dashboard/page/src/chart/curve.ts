/** A trace as drawing: one path a stretch, thinned to what the sheet can show. */
import { area, line } from "d3-shape";
import { LTTB } from "downsample/methods/LTTB";
import { runs, type Point, type Trace } from "../state/past.ts";
import type { TimeScale } from "./scale.ts";

type Numbered = Point & { readonly v: number };

export interface Curve {
  /** The line of the means. */
  readonly line: string;
  /** Between the lowest and the highest in each bucket, so that no spike is averaged away. */
  readonly spread: string;
}

/**
 * The curve of a trace on the past side of the sheet. Where there are more points
 * than pixels they are thinned by largest triangles, which keeps corners; gaps and
 * bad samples stay gaps.
 */
export function curve(trace: Trace, x: TimeScale, y: (v: number) => number): Curve {
  const most = Math.max(16, Math.round(x.pastWidth));
  const all = runs(trace, x.from, x.now).map((r) => {
    const run = r as readonly Numbered[];
    const drawn = line<Numbered>((p) => round(x.past(p.t)), (p) => round(y(p.v)));
    const spread = area<Numbered>()
      .x((p) => round(x.past(p.t)))
      .y0((p) => round(y(p.lo)))
      .y1((p) => round(y(p.hi)));
    const thin = run.length > most ? (LTTB([...run].map((p) => [p.t, p.v] as [number, number]), most) as [number, number][]) : null;
    const points = thin ? thin.map(([t, v]) => ({ t, v, lo: v, hi: v })) : run;
    const only = points[0];
    // A sample alone between two gaps is drawn as a short dash, else it would not be seen.
    const d = points.length === 1 && only ? `M${round(x.past(only.t)) - 1},${round(y(only.v))}h2` : (drawn(points) ?? "");
    const wide = run.some((p) => Math.abs(y(p.hi) - y(p.lo)) > 3);
    return { line: d, spread: wide ? (spread(run) ?? "") : "" };
  });
  return { line: all.map((r) => r.line).join(""), spread: all.map((r) => r.spread).join("") };
}

/**
 * Draws the curve of a trace that grows, in parts that follow on each other, the newest
 * last; `by` names the scale `y`.
 */
export type Drawer = (trace: Trace, x: TimeScale, y: (v: number) => number, by: string) => readonly Curve[];

/** A part that grows is drawn anew until it has as many points; after that it is left alone. */
const partPoints = 64;

/**
 * A drawer for one channel. All but the last point of a trace stay as they are while it
 * grows (see `extend`): those long settled are drawn once for a scale, those since then
 * where one more has settled, and only the last stretch, from the point before, again and
 * again. A browser reads a path anew as a whole, however little of it is new.
 */
export function drawer(): Drawer {
  let of: readonly unknown[] = [];
  let settled = 0;
  let old: Curve = none;
  let since: { readonly before: unknown; readonly curve: Curve } = { before: null, curve: none };
  return (trace, x, y, by) => {
    const { points, gap } = trace;
    /** What follows on the first `n` points. The point before is drawn once more, where nothing parts them. */
    const from = (n: number, to: number): Curve => {
      const [before, next] = [points[n - 1], points[n]];
      const joined = before && before.v !== null && next && next.t - before.t <= gap;
      return curve({ points: points.slice(joined ? n - 1 : n, to), gap }, x, y);
    };
    const last = Math.max(0, points.length - 1);
    const now = [points[0], points[settled - 1], gap, x, by];
    if (last < settled || last - settled > 2 * partPoints || now.length !== of.length || now.some((v, i) => v !== of[i])) {
      settled = Math.max(0, last - partPoints);
      of = [points[0], points[settled - 1], gap, x, by];
      old = curve({ points: points.slice(0, settled), gap }, x, y);
      since = { before: null, curve: none };
    }
    const before = points[last - 1];
    if (since.before !== before) since = { before, curve: last > settled ? from(settled, last) : none };
    return [old, since.curve, from(last, points.length)];
  };
}

const none: Curve = { line: "", spread: "" };

const round = (v: number): number => Math.round(v * 10) / 10;
