/** Where the names of curves stand: beside them on a leader, over nothing that matters. Pure; all in px. */

export interface Named {
  readonly id: string;
  /** The curve as drawn: x, y, x, y, … Gaps are NaN. */
  readonly points: readonly number[];
  readonly width: number;
  readonly height: number;
}

export interface PlacedName {
  readonly id: string;
  /** Left and top of the name. */
  readonly x: number;
  readonly y: number;
  /** Where the leader meets the curve, and where it meets the name. */
  readonly tip: readonly [number, number];
  readonly root: readonly [number, number];
}

interface Box {
  readonly x0: number;
  readonly y0: number;
  readonly x1: number;
  readonly y1: number;
}

const touches = (a: Box, b: Box): boolean => a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;

const reach = [26, 54, 90];
const rises = [-16, 0, 16, -40, 40];

/**
 * Places the names in the order given, the most important first. Each takes the place
 * beside its curve that hides the fewest lines and no other name; one that finds none is left out.
 */
export function placeNames(all: readonly Named[], taken: readonly Box[], width: number, height: number): PlacedName[] {
  const boxes: Box[] = [...taken];
  const out: PlacedName[] = [];
  for (const n of all) {
    let best: { cost: number; placed: PlacedName; box: Box } | null = null;
    const count = n.points.length / 2;
    const step = Math.max(1, Math.floor(count / 60));
    for (let i = 0; i < count; i += step) {
      const [x, y] = [n.points[2 * i] ?? NaN, n.points[2 * i + 1] ?? NaN];
      if (!(x > 4 && x < width - 4 && y > 4 && y < height - 4)) continue;
      for (const far of reach)
        for (const rise of rises)
          for (const side of [1, -1]) {
            const rx = x + side * far;
            const ry = y + rise;
            const x0 = side > 0 ? rx + 5 : rx - 5 - n.width;
            const box: Box = { x0: x0 - 3, y0: ry - n.height / 2, x1: x0 + n.width + 3, y1: ry + n.height / 2 };
            if (box.x0 < 2 || box.x1 > width - 2 || box.y0 < 1 || box.y1 > height - 1) continue;
            if (boxes.some((b) => touches(b, box))) continue;
            // The leader tells apart best where the curves lie apart: count what it crosses, too.
            const leader: Box = { x0: Math.min(x, rx), x1: Math.max(x, rx), y0: Math.min(y, ry) - 1, y1: Math.max(y, ry) + 1 };
            let cost = far / 40 + Math.abs(rise) / 60;
            for (const o of all) {
              cost += crossings(o.points, box) * 4;
              if (o !== n) cost += crossings(o.points, leader) * 6;
            }
            if (best === null || cost < best.cost) best = { cost, box, placed: { id: n.id, x: x0, y: ry - n.height / 2, tip: [x, y], root: [rx, ry] } };
          }
    }
    if (!best) continue;
    boxes.push(best.box);
    out.push(best.placed);
  }
  return out;
}

/** Whether a curve runs through a box: 1 or 0, so that a long flat one weighs no more than a steep one. */
function crossings(p: readonly number[], b: Box): number {
  for (let i = 0; i + 3 < p.length; i += 2) {
    const [xa, ya, xb, yb] = [p[i] ?? NaN, p[i + 1] ?? NaN, p[i + 2] ?? NaN, p[i + 3] ?? NaN];
    if (Math.max(xa, xb) < b.x0 || Math.min(xa, xb) > b.x1 || Math.max(ya, yb) < b.y0 || Math.min(ya, yb) > b.y1) continue;
    if (Number.isNaN(xa + ya + xb + yb)) continue;
    // Clipped to the box's width, its height there tells.
    const at = (x: number): number => (xb === xa ? NaN : ya + ((yb - ya) * (x - xa)) / (xb - xa));
    const ends = xb === xa ? [ya, yb] : [at(Math.max(b.x0, Math.min(xa, xb))), at(Math.min(b.x1, Math.max(xa, xb)))];
    if (Math.min(...ends) <= b.y1 && Math.max(...ends) >= b.y0) return 1;
  }
  return 0;
}
