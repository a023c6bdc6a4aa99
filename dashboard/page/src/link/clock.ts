/** Real time for telling how long nothing was heard; never the time of a reading. */

export interface Clocks {
  /** Steady, but on some devices it stands still while they sleep. */
  steady(): number;
  /** Goes on through sleep, but can be set. */
  wall(): number;
}

/**
 * A clock in ms that moves on by whichever of the two moved further since it was
 * last read. A wall clock that is set ahead only makes the page say sooner that it
 * has not heard; one that is set back does not hold it up.
 */
export function furthest(c: Clocks): () => number {
  let total = 0;
  let steady = c.steady();
  let wall = c.wall();
  return () => {
    const s = c.steady();
    const w = c.wall();
    total += Math.max(0, s - steady, w - wall);
    steady = s;
    wall = w;
    return total;
  };
}

export const realNow = furthest({ steady: () => performance.now(), wall: () => Date.now() });
