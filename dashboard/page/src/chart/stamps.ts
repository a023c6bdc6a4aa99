/** Where the stamps of a lane go. */

export interface Placed {
  readonly x: number;
  /** Left edge of the box; null where there is no room and only the tick is drawn. */
  readonly box: number | null;
  readonly width: number;
}

/**
 * Puts a box beside each tick: on the side where it hides no change of fill and no
 * other box, else on either side where it hides no box, else nowhere. The newest
 * stamp chooses first. `changes` are where the fill changes, all in px.
 */
export function place(ticks: readonly { x: number; width: number }[], changes: readonly number[], right: number): Placed[] {
  const taken: [number, number][] = [];
  const free = (a: number, b: number): boolean =>
    a >= 0 && b <= right && taken.every(([c, d]) => b < c || a > d) && ticks.every((t) => t.x <= a + 1 || t.x >= b - 1);
  const out = new Map<number, Placed>();
  [...ticks.keys()].reverse().forEach((i) => {
    const t = ticks[i];
    if (!t) return;
    const sides: [number, number][] = [
      [t.x - t.width, t.x],
      [t.x, t.x + t.width],
    ];
    const open = sides.filter(([a, b]) => free(a, b));
    const hidesNone = open.find(([a, b]) => changes.every((c) => c <= a + 1 || c >= b - 1));
    const side = hidesNone ?? open[0];
    if (side) taken.push(side);
    out.set(i, { x: t.x, box: side ? side[0] : null, width: t.width });
  });
  return ticks.map((t, i) => out.get(i) ?? { x: t.x, box: null, width: t.width });
}
