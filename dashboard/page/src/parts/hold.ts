/**
 * Press and hold: a word is given only by holding for a whole second without a
 * slip. Time is counted in frames, a late frame no more than a little, so that a
 * stalled page never turns a short touch into a long one.
 */

export const holdMs = 1_000;
/** The most that one frame may count. */
export const frameMs = 100;
/** A finger that moves further than this has slipped, in px. */
export const slipPx = 14;

export interface Hold {
  /** Milliseconds held so far; null while not held. */
  readonly held: number | null;
  readonly last: number;
}

export const idle: Hold = { held: null, last: 0 };

export const begin = (t: number): Hold => ({ held: 0, last: t });

/** The hold after a frame at time `t` (ms). */
export const frame = (h: Hold, t: number): Hold =>
  h.held === null ? h : { held: h.held + Math.min(frameMs, Math.max(0, t - h.last)), last: Math.max(h.last, t) };

export const complete = (h: Hold): boolean => h.held !== null && h.held >= holdMs;

/** What part is filled, 0 to 1; in quarters where motion is unwanted. */
export function filled(h: Hold, still: boolean): number {
  const part = h.held === null ? 0 : Math.min(1, h.held / holdMs);
  return still ? Math.floor(part * 4) / 4 : part;
}

/** Tenths of a second still to hold, as "0.4". */
export const remaining = (h: Hold): string => (Math.ceil((holdMs - Math.min(holdMs, h.held ?? 0)) / 100) / 10).toFixed(1);
