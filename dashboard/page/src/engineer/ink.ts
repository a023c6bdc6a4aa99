/** Curves on a canvas in the page's own ink: paths made once and moved under a transform. */
import type { Curve } from "./lay.ts";

export interface Inks {
  readonly paper: string;
  readonly slot: string;
  readonly ink: string;
  readonly ink2: string;
  readonly ten: string;
  readonly half: string;
  readonly hour: string;
  readonly fan: string;
}

export function inks(): Inks {
  const s = getComputedStyle(document.documentElement);
  const of = (name: string): string => s.getPropertyValue(name).trim();
  return {
    paper: of("--paper"), slot: of("--slot"), ink: of("--ink"), ink2: of("--ink-2"),
    ten: of("--ten"), half: of("--half"), hour: of("--hour"), fan: of("--fan"),
  };
}

/**
 * Points of one piece of a path: what lies outside the paper is left out by whole pieces,
 * and each piece costs its own. A curve seen as a whole is one.
 */
const pieceLength = 260;

interface Piece {
  readonly from: number;
  readonly to: number;
  readonly path: Path2D;
}

/** A curve as paths: x in seconds of its own time, y in px of its strip. */
export type Drawn = readonly Piece[];

export function drawn(c: Curve, y: (v: number) => number): Drawn {
  const out: Piece[] = [];
  for (const r of c) {
    const n = r.t.length;
    for (let a = 0; a < n; a += pieceLength) {
      const path = new Path2D();
      const end = Math.min(n - 1, a + pieceLength);
      path.moveTo((r.t[a] ?? 0) / 1000, y(r.v[a] ?? 0));
      // A sample alone between two gaps is drawn as a short dash, else it would not be seen.
      if (n === 1) path.lineTo((r.t[a] ?? 0) / 1000 + 1, y(r.v[a] ?? 0));
      for (let i = a + 1; i <= end; i++) path.lineTo((r.t[i] ?? 0) / 1000, y(r.v[i] ?? 0));
      out.push({ from: (r.t[a] ?? 0) / 1000, to: (r.t[end] ?? 0) / 1000, path });
      if (end === n - 1) break;
    }
  }
  return out;
}

/** Draws what of a curve lies between two times (s), moved by `m`: the line's weight stays what it is. */
export function strokeAll(ctx: CanvasRenderingContext2D, d: Drawn, m: DOMMatrix, from: number, to: number): void {
  for (const p of d) {
    if (p.to < from || p.from > to) continue;
    const here = new Path2D();
    here.addPath(p.path, m);
    ctx.stroke(here);
  }
}

/** The area between two lines at equal steps (s), as one path; it breaks where either is not known. */
export function area(from: number, per: number, lo: Float64Array, hi: Float64Array, y: (v: number) => number): Path2D {
  const path = new Path2D();
  let first = -1;
  const close = (end: number): void => {
    if (first < 0 || end - first < 1) return;
    path.moveTo(from + first * per, y(hi[first] ?? 0));
    for (let i = first + 1; i <= end; i++) path.lineTo(from + i * per, y(hi[i] ?? 0));
    for (let i = end; i >= first; i--) path.lineTo(from + i * per, y(lo[i] ?? 0));
    path.closePath();
  };
  for (let k = 0; k < lo.length; k++) {
    const known = !Number.isNaN(lo[k] ?? NaN);
    if (known && first < 0) first = k;
    if (!known && first >= 0) {
      close(k - 1);
      first = -1;
    }
  }
  if (first >= 0) close(lo.length - 1);
  return path;
}

/** A limit as a shore to be crossed: hachures on the side that is to be reached. */
export function shore(ctx: CanvasRenderingContext2D, y: number, width: number, ink: string): void {
  ctx.strokeStyle = ink;
  ctx.lineWidth = 1.8;
  ctx.beginPath();
  ctx.moveTo(0, y);
  ctx.lineTo(width, y);
  ctx.stroke();
  ctx.lineWidth = 1.2;
  ctx.beginPath();
  for (let x = 6; x < width; x += 11) {
    ctx.moveTo(x, y);
    ctx.lineTo(x - 5, y + 6);
  }
  ctx.stroke();
}

/** An upright line from top to bottom, sharp on whole pixels. */
export function upright(ctx: CanvasRenderingContext2D, x: number, top: number, bottom: number, ink: string, width: number): void {
  ctx.strokeStyle = ink;
  ctx.lineWidth = width;
  const at = width % 2 === 1 ? Math.round(x - 0.5) + 0.5 : Math.round(x);
  ctx.beginPath();
  ctx.moveTo(at, top);
  ctx.lineTo(at, bottom);
  ctx.stroke();
}

/** Sets a canvas to the size of its box, in the device's own pixels; gives its pen, in CSS px. */
export function penOf(canvas: HTMLCanvasElement, width: number, height: number): CanvasRenderingContext2D | null {
  const ratio = Math.min(2, devicePixelRatio || 1);
  const [w, h] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
  }
  const ctx = canvas.getContext("2d");
  if (!ctx) return null;
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  ctx.clearRect(0, 0, width, height);
  ctx.lineJoin = "round";
  ctx.lineCap = "round";
  return ctx;
}
