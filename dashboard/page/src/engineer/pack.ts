/**
 * Curves as one piece of memory, so that whoever reads an answer can hand them on without
 * copying a point: a thread's array buffers can be given to another.
 */
import type { OverlayDisposal } from "../state/wire.ts";
import { stretches, thinCurve, type Curve, type Run } from "./lay.ts";

/** The curves of some disposals: of each as finely as it came, and as few points as a sheet draws. */
export interface Packed {
  readonly of: readonly { readonly id: string; /** Points of each stretch. */ readonly curve: readonly number[]; readonly few: readonly number[] }[];
  /** Of each stretch its times, then its values, in the order of `of`. */
  readonly points: Float64Array;
}

export interface Unpacked {
  readonly id: string;
  readonly curve: Curve;
  readonly few: Curve;
}

/** A curve as it came: null breaks it. Times become ms since the evening began. */
export function curveOf(o: OverlayDisposal): Curve {
  const shift = (o.at === null ? 0 : Date.parse(o.at) - Date.parse(o.begun)) || 0;
  return stretches(o.s.map((s) => s * 1000 + shift), o.mean, Infinity);
}

/** Packs the curves of an answer; of each, `most` points are few. */
export function pack(all: readonly OverlayDisposal[], most: number): Packed {
  const made = all.map((o) => {
    const curve = curveOf(o);
    return { id: o.id, curve, few: thinCurve(curve, most) };
  });
  const runs = made.flatMap((m) => [...m.curve, ...m.few]);
  const points = new Float64Array(2 * runs.reduce((n, r) => n + r.t.length, 0));
  let at = 0;
  for (const r of runs) {
    points.set(r.t, at);
    points.set(r.v, at + r.t.length);
    at += 2 * r.t.length;
  }
  const lengths = (c: Curve): number[] => c.map((r) => r.t.length);
  return { of: made.map((m) => ({ id: m.id, curve: lengths(m.curve), few: lengths(m.few) })), points };
}

/** The same curves again, as views of the one piece. */
export function unpack(p: Packed): Unpacked[] {
  let at = 0;
  const run = (n: number): Run => {
    const r = { t: p.points.subarray(at, at + n), v: p.points.subarray(at + n, at + 2 * n) };
    at += 2 * n;
    return r;
  };
  return p.of.map((o) => ({ id: o.id, curve: o.curve.map(run), few: o.few.map(run) }));
}
