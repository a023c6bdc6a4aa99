/** What of a long line of time is seen, and how it is moved. All pure; times and spans in ms. */

export interface Seen {
  readonly from: number;
  readonly to: number;
}

export interface Bounds {
  /** The whole that there is to see. */
  readonly whole: Seen;
  /** The shortest span that can be seen. */
  readonly least: number;
}

const spanOf = (s: Seen): number => s.to - s.from;

/** The nearest to `s` that lies within the bounds: no wider than the whole, no narrower than the least. */
export function within(s: Seen, b: Bounds): Seen {
  const most = spanOf(b.whole);
  const span = Math.min(most, Math.max(Math.min(b.least, most), spanOf(s)));
  // A span that had to change keeps its middle.
  const middle = (s.from + s.to) / 2;
  let from = span === spanOf(s) ? s.from : middle - span / 2;
  from = Math.min(b.whole.to - span, Math.max(b.whole.from, from));
  return { from, to: from + span };
}

/** `factor` below 1 comes closer. The moment `about` stays where it is on the paper, as far as the bounds let it. */
export function zoomed(s: Seen, about: number, factor: number, b: Bounds): Seen {
  const most = spanOf(b.whole);
  const span = Math.min(most, Math.max(Math.min(b.least, most), spanOf(s) * factor));
  const real = span / spanOf(s);
  return within({ from: about - (about - s.from) * real, to: about + (s.to - about) * real }, b);
}

export const moved = (s: Seen, by: number, b: Bounds): Seen => within({ from: s.from + by, to: s.to + by }, b);

/** The moment at a place on the paper, and back. */
export const momentAt = (s: Seen, x: number, width: number): number => s.from + (x / Math.max(1, width)) * spanOf(s);
export const placeOf = (s: Seen, t: number, width: number): number => ((t - s.from) / spanOf(s)) * width;

/** Two fingers that were at `a` and `b` (px) and now are at `a2` and `b2`: what was under each stays under it. */
export function pinched(s: Seen, width: number, a: number, b: number, a2: number, b2: number, bounds: Bounds): Seen {
  const apart = Math.max(8, Math.abs(b - a));
  const now = Math.max(8, Math.abs(b2 - a2));
  const about = momentAt(s, (a + b) / 2, width);
  const near = zoomed(s, about, apart / now, bounds);
  const slid = ((a + b) / 2 - (a2 + b2) / 2) / Math.max(1, width);
  return moved(near, slid * spanOf(near), bounds);
}

/** How much a turn of the wheel zooms; `deltaY` in the unit that the event tells (0 px, 1 lines, 2 pages). */
export const wheelFactor = (deltaY: number, mode: number): number => Math.exp(Math.max(-1, Math.min(1, (deltaY * (mode === 1 ? 33 : mode === 2 ? 400 : 1)) / 500)));

const second = 1_000;
const minute = 60 * second;
const hour = 60 * minute;
const day = 24 * hour;

/** Steps of an axis that counts from a moment, in ms. */
const counted = [second, 2 * second, 5 * second, 10 * second, 30 * second, minute, 2 * minute, 5 * minute, 10 * minute, 30 * minute, hour, 2 * hour, 3 * hour, 6 * hour, 12 * hour, day, 2 * day, 7 * day];

/** The step whose names have `apart` px each. */
export function countedStep(s: Seen, width: number, apart: number): number {
  const per = spanOf(s) / Math.max(1, width);
  return counted.find((c) => c >= per * apart) ?? Math.ceil((per * apart) / (7 * day)) * 7 * day;
}

/** The multiples of a step that are seen. */
export function multiples(s: Seen, step: number): number[] {
  const out: number[] = [];
  for (let k = Math.ceil(s.from / step); k * step <= s.to; k++) out.push(k * step);
  return out;
}

export type CalendarUnit = "second" | "minute" | "hour" | "day" | "month" | "year";

export interface CalendarTick {
  readonly t: number;
  /** The largest unit that begins here. */
  readonly unit: CalendarUnit;
}

const calendar: readonly { readonly unit: CalendarUnit; readonly every: number; readonly ms: number }[] = [
  { unit: "second", every: 1, ms: second },
  { unit: "second", every: 5, ms: 5 * second },
  { unit: "second", every: 15, ms: 15 * second },
  { unit: "minute", every: 1, ms: minute },
  { unit: "minute", every: 5, ms: 5 * minute },
  { unit: "minute", every: 10, ms: 10 * minute },
  { unit: "minute", every: 30, ms: 30 * minute },
  { unit: "hour", every: 1, ms: hour },
  { unit: "hour", every: 3, ms: 3 * hour },
  { unit: "hour", every: 6, ms: 6 * hour },
  { unit: "hour", every: 12, ms: 12 * hour },
  { unit: "day", every: 1, ms: day },
  { unit: "day", every: 7, ms: 7 * day },
  { unit: "month", every: 1, ms: 30.4 * day },
  { unit: "month", every: 3, ms: 91 * day },
  { unit: "year", every: 1, ms: 365.25 * day },
  { unit: "year", every: 2, ms: 730 * day },
  { unit: "year", every: 5, ms: 1826 * day },
  { unit: "year", every: 10, ms: 3652 * day },
];

/**
 * Ticks of a clock and calendar, `apart` px from each other or more. `offset` tells how
 * far the shed's zone is ahead of UTC at a moment, in ms: days begin at its midnight.
 */
export function calendarTicks(s: Seen, width: number, apart: number, offset: (t: number) => number): CalendarTick[] {
  const per = spanOf(s) / Math.max(1, width);
  const scale = calendar.find((c) => c.ms >= per * apart) ?? calendar[calendar.length - 1];
  if (!scale) return [];
  const out: CalendarTick[] = [];
  const add = (wall: number): void => {
    // A wall clock's moment, by the offset that holds there.
    const first = wall - offset(wall);
    const t = wall - offset(first);
    if (t >= s.from && t <= s.to && t > (out.at(-1)?.t ?? -Infinity)) out.push({ t, unit: beginsAt(wall) });
  };
  const local = new Date(s.from + offset(s.from));
  if (scale.unit === "year" || scale.unit === "month") {
    const months = scale.unit === "year" ? scale.every * 12 : scale.every;
    const all = local.getUTCFullYear() * 12 + local.getUTCMonth();
    for (let m = Math.floor(all / months) * months; ; m += months) {
      const wall = Date.UTC(Math.floor(m / 12), m % 12, 1);
      if (wall - 2 * day > s.to + day) break;
      add(wall);
    }
    return out;
  }
  const end = s.to + offset(s.to);
  // Weeks begin on a Monday; the day of the epoch was a Thursday.
  const anchor = scale.unit === "day" && scale.every === 7 ? 4 * day : 0;
  for (let wall = Math.floor((local.getTime() - anchor) / scale.ms) * scale.ms + anchor; wall <= end + hour; wall += scale.ms) add(wall);
  return out;
}

function beginsAt(wall: number): CalendarUnit {
  const d = new Date(wall);
  if (wall % minute !== 0) return "second";
  if (wall % hour !== 0) return "minute";
  if (wall % day !== 0) return "hour";
  if (d.getUTCDate() !== 1) return "day";
  return d.getUTCMonth() === 0 ? "year" : "month";
}
