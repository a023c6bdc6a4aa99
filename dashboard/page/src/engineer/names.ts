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

export interface Box {
  readonly x0: number;
  readonly y0: number;
  readonly x1: number;
  readonly y1: number;
}

const touches = (a: Box, b: Box): boolean => a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;

/** How many curves run through each small square of a strip. */
class Cover {
  private readonly cells: Uint8Array;
  private readonly across: number;
  private readonly down: number;

  constructor(width: number, height: number) {
    this.across = Math.ceil(width / cell);
    this.down = Math.ceil(height / cell);
    this.cells = new Uint8Array(this.across * this.down);
  }

  add(points: readonly number[]): void {
    const seen = new Set<number>();
    for (let i = 0; i + 3 < points.length; i += 2) {
      const [xa, ya, xb, yb] = [points[i] ?? NaN, points[i + 1] ?? NaN, points[i + 2] ?? NaN, points[i + 3] ?? NaN];
      const far = Math.max(Math.abs(xb - xa), Math.abs(yb - ya));
      if (!(far < 1e5)) continue;
      const n = Math.max(1, Math.ceil(far / cell));
      for (let k = 0; k <= n; k++) seen.add(this.index(xa + ((xb - xa) * k) / n, ya + ((yb - ya) * k) / n));
    }
    for (const i of seen) if (i >= 0) this.cells[i] = Math.min(255, (this.cells[i] ?? 0) + 1);
  }

  at(x: number, y: number): number {
    const i = this.index(x, y);
    return i < 0 ? 0 : (this.cells[i] ?? 0);
  }

  /** The sum over a box. */
  under(b: Box): number {
    let sum = 0;
    for (let y = b.y0 + cell / 2; y < b.y1; y += cell) for (let x = b.x0 + cell / 2; x < b.x1; x += cell) sum += this.at(x, y);
    return sum;
  }

  private index(x: number, y: number): number {
    const [i, j] = [Math.floor(x / cell), Math.floor(y / cell)];
    return i < 0 || j < 0 || i >= this.across || j >= this.down ? -1 : j * this.across + i;
  }
}

const cell = 6;
const reach = [24, 48, 84, 130];
const rises = [-16, 0, 16, -38, 38];
/** Places along a curve that are tried. */
const tries = 70;

/**
 * Places the names in the order given, the most important first. Each takes the place
 * beside its curve that hides the fewest lines and no other name, and whose leader ends where
 * its curve runs alone; one that finds none is left out. `others` are drawn, too, but not named.
 */
export function placeNames(all: readonly Named[], others: readonly (readonly number[])[], width: number, height: number): PlacedName[] {
  const cover = new Cover(width, height);
  for (const n of all) cover.add(n.points);
  for (const o of others) cover.add(o);
  const boxes: Box[] = [];
  const out: PlacedName[] = [];
  for (const n of all) {
    let best: { cost: number; placed: PlacedName; box: Box } | null = null;
    const inside: [number, number][] = [];
    for (let i = 0; i < n.points.length; i += 2) {
      const [x, y] = [n.points[i] ?? NaN, n.points[i + 1] ?? NaN];
      const [px, py] = [n.points[i - 2] ?? NaN, n.points[i - 1] ?? NaN];
      // A steep fall has few points of its own: its middle is a place, too.
      for (const [tx, ty] of [[(x + px) / 2, (y + py) / 2], [x, y]] as const) if (tx > 4 && tx < width - 4 && ty > 4 && ty < height - 4) inside.push([tx, ty]);
    }
    const step = Math.max(1, Math.floor(inside.length / tries));
    for (let i = 0; i < inside.length; i += step) {
      const [x, y] = inside[i] ?? [NaN, NaN];
      const alone = Math.max(cover.at(x, y), cover.at(x - cell, y), cover.at(x + cell, y)) - 1;
      for (const far of reach)
        for (const rise of rises)
          for (const side of [1, -1]) {
            const rx = x + side * far;
            const ry = y + rise;
            const x0 = side > 0 ? rx + 5 : rx - 5 - n.width;
            const box: Box = { x0: x0 - 3, y0: ry - n.height / 2, x1: x0 + n.width + 3, y1: ry + n.height / 2 };
            if (box.x0 < 2 || box.x1 > width - 2 || box.y0 < 1 || box.y1 > height - 1) continue;
            if (boxes.some((b) => touches(b, box))) continue;
            let crossed = 0;
            for (let k = 2; k <= 8; k++) crossed += cover.at(x + ((rx - x) * k) / 8, y + ((ry - y) * k) / 8) > 0 ? 1 : 0;
            const cost = far / 40 + Math.abs(rise) / 60 + Math.min(6, alone) * 2 + cover.under(box) * 1.5 + crossed;
            if (best === null || cost < best.cost) best = { cost, box, placed: { id: n.id, x: x0, y: ry - n.height / 2, tip: [x, y], root: [rx, ry] } };
          }
    }
    if (!best) continue;
    boxes.push(best.box);
    out.push(best.placed);
  }
  return out;
}
