/** The sheet's scales: the softened root of the pressure, and time cut by the slot. */
import { scaleLinear } from "d3-scale";
import { pascalPerBar, pascalPerPsi } from "../words/units.ts";
import type { Units } from "../state/own.ts";

/** Keeps the slope finite at zero, so that the zero band and a vacuum can be seen. */
const soft = 0.4;

/** The softened root of a gauge pressure in bar, with the pressure's sign. */
export const root = (bar: number): number => Math.sign(bar) * (Math.sqrt(Math.abs(bar) + soft) - Math.sqrt(soft));

const lowestBar = -0.6;

/** From gauge pascal to px down a strip of this height; the same every evening for one engine. */
export function pressureScale(workingPa: number, height: number): (pa: number) => number {
  const top = Math.max(1, (workingPa > 0 ? workingPa : 6 * pascalPerBar) / pascalPerBar) * 1.1;
  return straight(scaleLinear([root(lowestBar), root(top)], [height - 2, 6]), (pa) => root(pa / pascalPerBar));
}

/** A straight scale after `f`, as its two constants: thousands of points go through it for one drawing. */
function straight(s: (v: number) => number, f: (v: number) => number): (v: number) => number {
  const zero = s(0);
  const slope = s(1) - zero;
  return (v) => zero + slope * f(v);
}

const barTicks = [0, 6, 3, 1, 2, 4, 10, 8, 14, 12, 16, -0.4, 5];
const psiTicks = [0, 90, 45, 15, 150, 30, 60, 120, 200, 180, 230, -6, 75];

export interface Tick {
  readonly y: number;
  readonly label: string;
  readonly heavy: boolean;
}

/** As many named pressures as have room, the important ones first. */
export function pressureTicks(workingPa: number, height: number, gap: number, u: Units): Tick[] {
  const y = pressureScale(workingPa, height);
  const per = u.pressure === "bar" ? pascalPerBar : pascalPerPsi;
  const out: Tick[] = [];
  for (const v of u.pressure === "bar" ? barTicks : psiTicks) {
    const at = y(v * per);
    if (at < 0 || at > height || out.some((t) => Math.abs(t.y - at) < gap)) continue;
    out.push({ y: at, label: String(v).replace("-", "\u2212"), heavy: v === 0 });
  }
  return out;
}

/** A strip of temperature in px down; a value beyond leaves the strip. */
export const temperatureScale = (from: number, to: number, height: number): ((c: number) => number) =>
  straight(scaleLinear([from, to], [height - 4, 4]), (c) => c);

/** Lengths of the past that the sheet steps through, in minutes, so that shapes stay comparable. */
const lengths = [60, 90, 120, 180, 240, 360, 480];

/**
 * How long a past to draw: the whole disposal where it fits, never less than
 * `least`, never so much that a minute is under a pixel.
 */
export function pastMinutes(elapsedMin: number, widthPx: number, least = 60): number {
  const most = Math.max(60, widthPx);
  const wanted = Math.max(least, elapsedMin + 4);
  const fit = lengths.filter((l) => l <= most);
  return fit.find((l) => l >= wanted) ?? fit.at(-1) ?? 60;
}

/** Time on both sides of the slot: the same px per minute, the slot between. */
export interface TimeScale {
  readonly now: number;
  /** Length of the past. */
  readonly minutes: number;
  readonly from: number;
  readonly to: number;
  readonly pxPerMs: number;
  readonly pastWidth: number;
  readonly aheadWidth: number;
  /** px from the left edge of the past. */
  past(t: number): number;
  /** px from the left edge of what is ahead. */
  ahead(t: number): number;
}

export function timeScale(now: number, minutes: number, pastWidth: number, aheadWidth: number): TimeScale {
  const span = minutes * 60_000;
  const pxPerMs = pastWidth > 0 ? pastWidth / span : 1 / 60_000;
  return {
    now,
    minutes,
    from: now - span,
    to: now + aheadWidth / pxPerMs,
    pxPerMs,
    pastWidth,
    aheadWidth,
    past: (t) => pastWidth - (now - t) * pxPerMs,
    ahead: (t) => (t - now) * pxPerMs,
  };
}

export interface TimeTick {
  readonly t: number;
  readonly weight: "hour" | "half" | "ten";
}

/** The upright lines between two times: hours, half hours, and tens where they have room. `offset` is the zone's, in ms. */
export function timeTicks(from: number, to: number, pxPerMs: number, offset: number): TimeTick[] {
  const min = 60_000;
  const px = (m: number): number => m * min * pxPerMs;
  const step = px(10) >= 9 ? 10 : px(30) >= 9 ? 30 : 60;
  const out: TimeTick[] = [];
  const first = Math.ceil((from + offset) / (step * min)) * step * min;
  for (let local = first; local <= to + offset; local += step * min) {
    const minute = Math.round(local / min) % 60;
    out.push({ t: local - offset, weight: minute === 0 ? "hour" : minute === 30 ? "half" : "ten" });
  }
  return out;
}

/** Which of the ticks are named, so that names stay `apart` px from each other. */
export function namedTicks(ticks: readonly TimeTick[], pxPerMs: number, apart: number): TimeTick[] {
  const half = 30 * 60_000 * pxPerMs;
  if (half >= apart) return ticks.filter((t) => t.weight !== "ten");
  const hours = ticks.filter((t) => t.weight === "hour");
  const every = Math.max(1, Math.ceil(apart / (2 * half)));
  return hours.filter((t) => Math.round(t.t / 3_600_000) % every === 0);
}
