/** Paints a sheet of evenings: its grid, bands, limits, curves and lanes. */
import type { Engine } from "../state/wire.ts";
import { coarsest, finest } from "./curves.ts";
import { area, drawn, inks, penOf, shore, strokeAll, upright, type Drawn, type Inks } from "./ink.ts";
import type { Align, Band, Curve, Laid, Mark } from "./lay.ts";
import { spanOf, type Rects, type Strip } from "./strips.ts";
import { minutesOf } from "./told.ts";
import { multiples, placeOf, type Seen } from "./zoom.ts";

const minute = 60_000;
/** A slice of work that a frame has time for. */
export const sliceMs = 8;
/** Where less of an evening is seen than this share, its finer curves are drawn. */
const fineShare = 0.34;
/** What is drawn bold, then those under it, in px. */
const weights = [4.2, 2, 1.3, 0.9] as const;
const thinWeight = 0.9;
const endWeight = 1.5;

/** The paths of a curve for a strip of one height: made once, the fine ones when they are first needed. */
interface Paths {
  readonly height: number;
  readonly coarse: Drawn;
  fine?: { readonly of: Curve; readonly drawn: Drawn };
}

const paths = new WeakMap<Curve, Paths>();
/** The paths of a curve that are made for a strip; undefined where none are yet. */
function pathsOf(c: Curve, s: Strip): Paths | undefined {
  const p = paths.get(c);
  return p?.height === s.height ? p : undefined;
}

/** Makes the paths of a curve for a strip, where they are not made yet. */
export function makePaths(c: Curve, s: Strip): void {
  if (!pathsOf(c, s)) paths.set(c, { height: s.height, coarse: drawn(coarsest(c), s.y) });
}

/** The band of evenings as a path in seconds; null where there is none. */
export function bandPath(b: Band | null, s: Strip): Path2D | null {
  return b && s.height > 0 ? area(b.from / 1000, b.per / 1000, b.lo, b.hi, s.y) : null;
}

export interface Picture {
  readonly rects: Rects;
  readonly strips: readonly Strip[];
  /** How many of the evenings have their paths, the bold one first. */
  readonly ready: number;
  readonly bands: readonly (Path2D | null)[];
  readonly seen: Seen;
  readonly read: number | null;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  readonly many: boolean;
  readonly ends: readonly (Laid | null)[] | null;
  readonly engine: Engine;
  readonly by: Align;
  readonly lanes: readonly Mark[];
}

/** Paints all of it; false where some curves are still to be drawn as finely as they are known. */
export function paint(canvas: HTMLCanvasElement, p: Picture): boolean {
  const { rects, seen, bold, others, many } = p;
  const { width, height } = rects;
  const ctx = penOf(canvas, width, height);
  if (!ctx) return true;
  const ink = inks();
  const rows = Object.entries(rects.rows).filter(([k]) => k !== "scale").map(([, r]) => r);
  for (const r of rows) grid(ctx, seen, width, r.top, r.top + r.height, ink);
  const perSecond = (width / (seen.to - seen.from)) * 1000;
  const [from, to] = [seen.from / 1000, seen.to / 1000];
  // So close that the thinned curve would show its corners.
  const close = seen.to - seen.from < fineShare * spanOf(bold);
  const until = performance.now() + sliceMs;
  let whole = true;
  p.strips.forEach((s, i) => {
    const row = rects.rows[s.key];
    if (!row || row.height !== s.height) return;
    ctx.save();
    ctx.beginPath();
    ctx.rect(0, row.top, width, row.height);
    ctx.clip();
    const path = p.bands[i];
    if (path) {
      const band = new Path2D();
      band.addPath(path, new DOMMatrix([perSecond, 0, 0, 1, -from * perSecond, row.top]));
      ctx.fillStyle = ink.fan;
      ctx.fill(band);
    }
    limits(ctx, p.engine, s, row.top, width, ink);
    ctx.strokeStyle = ink.ink;
    const stroke = (l: Laid, weight: number): void => {
      const c = l.curves[s.channel];
      const made = c && pathsOf(c, s);
      if (!made) return;
      // As many a frame as leave it one; the others come in the next ones.
      const fine = close ? finest(c) : null;
      if (fine && made.fine?.of !== fine && performance.now() < until) made.fine = { of: fine, drawn: drawn(fine, s.y) };
      if (fine && made.fine?.of !== fine) whole = false;
      ctx.lineWidth = weight * (s.key === "boiler" ? 1 : 0.75);
      const by = l.shift / 1000;
      strokeAll(ctx, close ? (made.fine?.drawn ?? made.coarse) : made.coarse, new DOMMatrix([perSecond, 0, 0, 1, (by - from) * perSecond, row.top]), from - by, to - by);
    };
    const shown = others.slice(0, Math.max(0, p.ready - 1));
    if (many) {
      for (const l of shown) if (!p.ends?.includes(l)) stroke(l, thinWeight);
      for (const l of p.ends ?? []) if (l && shown.includes(l)) stroke(l, endWeight);
    } else [...shown].reverse().forEach((l, k) => stroke(l, weights[shown.length - k] ?? thinWeight));
    stroke(bold, weights[0]);
    ctx.restore();
  });
  for (const m of p.lanes) lane(ctx, p, m, ink);
  // What they are laid by.
  for (const r of rows) {
    upright(ctx, placeOf(seen, 0, width), r.top, r.top + r.height, ink.ink, 2);
    if (p.read !== null) upright(ctx, placeOf(seen, p.read, width), r.top, r.top + r.height, ink.ink, 1);
  }
  return whole;
}

function grid(ctx: CanvasRenderingContext2D, seen: Seen, width: number, top: number, bottom: number, ink: Inks): void {
  const per = width / (seen.to - seen.from);
  const fine = [minute, 10 * minute, 30 * minute, 60 * minute, 360 * minute].find((s) => s * per >= 9) ?? 1440 * minute;
  for (const t of multiples(seen, fine)) {
    const heavy = t % (60 * minute) === 0 && fine < 60 * minute ? 2 : t % (30 * minute) === 0 && fine < 30 * minute ? 1 : fine >= 60 * minute && t % (1440 * minute) === 0 ? 2 : 0;
    upright(ctx, placeOf(seen, t, width), top, bottom, heavy === 2 ? ink.hour : heavy === 1 ? ink.half : ink.ten, 1);
  }
}

function limits(ctx: CanvasRenderingContext2D, engine: Engine, s: Strip, top: number, width: number, ink: Inks): void {
  const mark = (key: string): number | null => {
    const v = engine.marks[key];
    return typeof v === "number" && Number.isFinite(v) ? v : null;
  };
  const band = mark("zero_band");
  if (s.key === "boiler" && band !== null) {
    const [a, b] = [top + s.y(band), top + s.y(-band)];
    ctx.fillStyle = ink.fan;
    ctx.fillRect(0, a, width, Math.max(2, b - a));
    ctx.strokeStyle = ink.ink2;
    ctx.lineWidth = 1;
    ctx.strokeRect(-2, a, width + 4, Math.max(2, b - a));
  }
  const limit = mark(s.key === "boiler" ? "blow_down_max" : s.key === "shell" ? "boiling_c" : "house_firebox_c");
  if (limit !== null) shore(ctx, top + s.y(limit), width, ink.ink2);
}

/** A mark's lane: a tick an evening, the bold one tall; of many, the band of the others. A blow-down is a bar to its end. */
function lane(ctx: CanvasRenderingContext2D, p: Picture, mark: Mark, ink: Inks): void {
  const row = p.rects.rows[mark];
  if (!row) return;
  const { seen, by } = p;
  const { width } = p.rects;
  const at = (t: number): number => placeOf(seen, t, width);
  const middleY = row.top + row.height / 2;
  const theirs = p.others.map((l) => minutesOf(l.disposal, mark, by)).filter((t) => t !== null);
  if (p.many && theirs.length > 1) {
    const [lo, hi] = [at(Math.min(...theirs)), at(Math.max(...theirs))];
    ctx.fillStyle = ink.fan;
    ctx.fillRect(lo, row.top + 4, Math.max(2, hi - lo), row.height - 8);
  }
  const one = (l: Laid, y: number, tall: number, weight: number): void => {
    const t = minutesOf(l.disposal, mark, by);
    if (t === null) return;
    const end = mark === "blow_down_begun" && !(p.many && l !== p.bold) ? minutesOf(l.disposal, "blow_down_finished", by) : null;
    ctx.fillStyle = ink.ink;
    if (end !== null && end > t) ctx.fillRect(at(t), y - tall / 2, Math.max(2, at(end) - at(t)), tall);
    else ctx.fillRect(at(t) - weight / 2, y - Math.max(tall, 8) / 2, weight, Math.max(tall, 8));
    // Off the sheet: an open chevron at the edge.
    if (at(t) > width || at(end ?? t) < 0) {
      const right = at(t) > width;
      ctx.strokeStyle = ink.ink;
      ctx.lineWidth = weight > 2 ? 2.2 : 1.2;
      ctx.beginPath();
      const x = right ? width - 4 : 4;
      const d = right ? -6 : 6;
      ctx.moveTo(x + d, y - 3.5);
      ctx.lineTo(x, y);
      ctx.lineTo(x + d, y + 3.5);
      ctx.stroke();
    }
  };
  if (p.many) {
    for (const l of p.others) one(l, middleY + row.height / 5, row.height / 4, 1);
    one(p.bold, middleY - row.height / 8, row.height / 2, 4);
    return;
  }
  const n = p.others.length;
  one(p.bold, n === 0 ? middleY : row.top + row.height * 0.3, row.height * 0.42, 4.5);
  // Each on a line of its own, so that ticks of one minute do not hide each other.
  p.others.forEach((l, k) => one(l, row.top + row.height * (0.58 + (k * 0.28) / Math.max(1, n - 0.2)), 6 - k, 3 - k * 0.5));
}
