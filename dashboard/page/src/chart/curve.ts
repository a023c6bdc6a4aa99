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

/** Draws the curve of a trace that grows; `by` names the scale `y`. */
export type Drawer = (trace: Trace, x: TimeScale, y: (v: number) => number, by: string) => Curve;

/**
 * A drawer for one channel. All but the last point of a trace stay as they are while it
 * grows (see `extend`): that part is drawn once for a scale, and only the last stretch,
 * from the point before, again and again.
 */
export function drawer(): Drawer {
  let of: readonly unknown[] = [];
  let settled: Curve = { line: "", spread: "" };
  return (trace, x, y, by) => {
    const { points, gap } = trace;
    const before = points.at(-2);
    const now = [points.length, points[0], before, gap, x, by];
    if (now.length !== of.length || now.some((v, i) => v !== of[i])) {
      of = now;
      settled = curve({ points: points.slice(0, -1), gap }, x, y);
    }
    const last = points.at(-1);
    const joined = before && before.v !== null && last && last.t - before.t <= gap;
    const tail = curve({ points: points.slice(joined ? -2 : -1), gap }, x, y);
    return { line: settled.line + tail.line, spread: settled.spread + tail.spread };
  };
}

const round = (v: number): number => Math.round(v * 10) / 10;
