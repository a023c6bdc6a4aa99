/**
 * What was last heard, as it is kept on the device for a page that is opened where the
 * shed cannot be reached. All pure; `link/kept.ts` reads and writes it.
 */
import { nothing, type Known } from "./known.ts";
import type { Judged, Point, Trace } from "./past.ts";

/** What was heard, with the past of the engine that was looked at. */
export interface Heard {
  readonly known: Known;
  readonly engine: string;
  readonly traces: Readonly<Record<string, Trace>>;
  readonly judged: Judged;
}

/** Longer texts than this are not kept, in characters: a page that keeps without bound would one day keep nothing. */
const mostChars = 2_000_000;
/** As many points of a curve, and changes and stamps of a lane, are kept: more than any sheet shows. */
const mostPoints = 1_000;
const mostChanges = 400;

interface Text extends Heard {
  /** The script that wrote it: another one may know other messages, and reads nothing of it. */
  readonly by: string;
  /** The device's own clock when the shed was last heard, ms since the epoch. */
  readonly wall: number;
}

const newest = <T>(all: readonly T[], n: number): readonly T[] => (all.length > n ? all.slice(-n) : all);
const short = (v: number): number => Number(v.toPrecision(7));
const point = (p: Point): Point => ({ t: p.t, v: p.v === null ? null : short(p.v), lo: short(p.lo), hi: short(p.hi) });

/** What is written down; null where it is more than can be kept. */
export function written(h: Heard, by: string, wall: number): string | null {
  const traces = Object.fromEntries(Object.entries(h.traces).map(([c, t]) => [c, { ...t, points: newest(t.points, mostPoints).map(point) }]));
  const judged: Judged = {
    segments: Object.fromEntries(Object.entries(h.judged.segments).map(([s, all]) => [s, newest(all, mostChanges)])),
    stamps: newest(h.judged.stamps, mostChanges),
  };
  const text = (known: Known): string => JSON.stringify({ by, wall, known, engine: h.engine, traces, judged } satisfies Text);
  const all = text(h.known);
  if (all.length <= mostChars) return all;
  const one = text(onlyOf(h.known, h.engine));
  return one.length <= mostChars ? one : null;
}

/** The shed with one engine of it. */
const onlyOf = (k: Known, engine: string): Known => ({
  ...k,
  engines: k.engines.filter((e) => e.id === engine),
  states: Object.fromEntries(Object.entries(k.states).filter(([id]) => id === engine)),
});

/**
 * What was written down by the same script, and how long ago it was heard, in ms by the
 * device's clock; the age is null where that clock was set back meanwhile, so that it is
 * not known. What is read is marked as torn: whatever happens, none of it is current.
 */
export function readBack(text: unknown, by: string, wall: number): (Heard & { readonly age: number | null }) | null {
  if (typeof text !== "string") return null;
  let t: Partial<Text> | null;
  try {
    t = JSON.parse(text) as Partial<Text> | null;
  } catch {
    return null;
  }
  if (t?.by !== by || !t.known?.shed || !t.traces || !t.judged || typeof t.wall !== "number") return null;
  const age = wall - t.wall;
  return {
    known: { ...nothing, ...t.known, n: 0, torn: true },
    engine: t.engine ?? "",
    traces: t.traces,
    judged: t.judged,
    age: age >= 0 ? age : null,
  };
}
