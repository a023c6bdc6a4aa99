/**
 * What the drawing of a trend needs: its evenings before and after, the levels that the
 * finding rests on, and one scale that every figure shares. All pure; times in ms.
 */
import { extent, median, quantile } from "d3-array";
import { scaleLinear } from "d3-scale";
import type { TrendFinding, Trends, TrendSeries } from "../state/wire.ts";

export interface Evening {
  readonly t: number;
  readonly v: number;
}

/** A straight piece of what the figures are taken to be: a level, or a line. */
export interface Level {
  readonly from: number;
  readonly to: number;
  readonly v0: number;
  readonly v1: number;
}

/** A finding with what its drawing needs. */
export interface Change {
  readonly finding: TrendFinding;
  readonly series: TrendSeries;
  readonly evenings: readonly Evening[];
  /** The medians to either side of a step, or the line of a drift. */
  readonly before: Level | null;
  readonly after: Level;
  /** Where the after would lie at either end of the change's interval. */
  readonly least: Level;
  readonly most: Level;
  /** The evenings that it rests on. */
  readonly rests: readonly Evening[];
}

export const eveningsOf = (s: TrendSeries): Evening[] =>
  s.points.map((p) => ({ t: Date.parse(p.t), v: p.value })).filter((e) => Number.isFinite(e.t) && Number.isFinite(e.v)).sort((a, b) => a.t - b.t);

const yearMs = 365.25 * 24 * 3_600_000;

/** Every finding beside its series, the newest change first. */
export function changesIn(t: Trends): Change[] {
  const out: Change[] = [];
  for (const f of t.findings) {
    const series = t.series.find((s) => s.quantity === f.quantity);
    const change = series && changeOf(f, series);
    if (change) out.push(change);
  }
  return out.sort((a, b) => Date.parse(b.finding.since) - Date.parse(a.finding.since));
}

function changeOf(finding: TrendFinding, series: TrendSeries): Change | null {
  const evenings = eveningsOf(series);
  const since = Date.parse(finding.since);
  const until = Date.parse(finding.until);
  const first = evenings.findIndex((e) => e.t >= since);
  if (first < 0) return null;
  const tail = evenings.slice(first).filter((e) => e.t <= until);
  const head = finding.kind === "step" ? evenings.slice(Math.max(0, first - finding.evenings_before), first) : [];
  const at = (x: number): Level => ({ from: since, to: until, v0: x, v1: x });
  if (finding.kind === "step") {
    const from = head[0]?.t ?? since;
    return {
      finding, series, evenings, rests: [...head, ...tail],
      before: { from, to: since, v0: finding.before, v1: finding.before },
      after: at(finding.after), least: at(finding.before + finding.lo), most: at(finding.before + finding.hi),
    };
  }
  // The interval is of the slope: lines of its ends through the middle of the drift's own.
  const half = (until - since) / yearMs / 2;
  const middle = (finding.before + finding.after) / 2;
  const line = (slope: number): Level => ({ from: since, to: until, v0: middle - slope * half, v1: middle + slope * half });
  return {
    finding, series, evenings, rests: tail, before: null,
    after: { from: since, to: until, v0: finding.before, v1: finding.after }, least: line(finding.lo), most: line(finding.hi),
  };
}

/** From the first to the last evening of any figure; null where there is none. A single evening has a week about it. */
export function spanOf(t: Trends): readonly [number, number] | null {
  const [a, b] = extent(t.series.flatMap((s) => eveningsOf(s).map((e) => e.t)));
  if (a === undefined || b === undefined) return null;
  const room = Math.max((b - a) * 0.03, 3.5 * 24 * 3_600_000);
  return [a - room, b + room];
}

/** A quantity that may lie about zero has no percent of its median. */
const about = new Set(["pressure-lag"]);

/** A figure beside its own median. */
export interface Own {
  readonly series: TrendSeries;
  readonly evenings: readonly Evening[];
  readonly median: number;
  readonly lo: number;
  readonly hi: number;
  /** False where a share of the median has no sense: it is drawn on a scale of its own. */
  readonly shared: boolean;
}

export function ownOf(series: TrendSeries): Own | null {
  const evenings = eveningsOf(series);
  const values = evenings.map((e) => e.v);
  const [lo, hi] = extent(values);
  const m = median(values);
  if (lo === undefined || hi === undefined || m === undefined) return null;
  return { series, evenings, median: m, lo, hi, shared: !about.has(series.quantity) && lo > 0 };
}

/** The least and the greatest share that the common scale runs to: weather alone fills the least. */
const leastShare = 0.2;
const mostShare = 1;
/** As much of all figures is on the drawing; one odd evening must not press all others flat. */
const onDrawing = 0.98;

/** How far the common scale runs to either side of the medians, as a share of them: in steps of a tenth. */
export function shareOf(all: readonly Own[]): number {
  const far = all.filter((o) => o.shared).flatMap((o) => o.evenings.map((e) => Math.abs(e.v / o.median - 1)));
  const most = Math.max(leastShare, quantile(far, onDrawing) ?? 0);
  return Math.min(mostShare, Math.ceil(most * 10 - 1e-9) / 10);
}

/** Evenings further apart than this have a rest between them, and no line across it: an engine that runs weekly has missed two months. */
const restMs = 60 * 24 * 3_600_000;

/** The evenings as unbroken stretches: a season's rest is a gap, and stays one. */
export function seasons(all: readonly Evening[]): Evening[][] {
  const usual = median(all.slice(1).map((e, i) => e.t - (all[i]?.t ?? e.t))) ?? 0;
  const gap = Math.max(restMs, 4 * usual);
  const out: Evening[][] = [];
  for (const e of all) {
    const last = out.at(-1);
    const before = last?.at(-1);
    if (last && before && e.t - before.t <= gap) last.push(e);
    else out.push([e]);
  }
  return out;
}

/** The values between which a figure is drawn, its median in the middle. */
export function reachOf(o: Own, share: number): readonly [number, number] {
  if (o.shared) return [o.median * (1 - share), o.median * (1 + share)];
  const half = Math.max(o.median - o.lo, o.hi - o.median, Math.abs(o.median) * leastShare, 1) * 1.1;
  return [o.median - half, o.median + half];
}

/** The values between which a finding is drawn, with some room, and its ticks. */
export function scaleOf(c: Change, height: number): { y: (v: number) => number; ticks: number[] } {
  const ends = [c.before, c.after, c.least, c.most].flatMap((l) => (l ? [l.v0, l.v1] : []));
  const [lo, hi] = extent([...c.evenings.map((e) => e.v), ...ends]);
  const room = Math.max(((hi ?? 1) - (lo ?? 0)) * 0.12, 1e-9);
  const s = scaleLinear([(lo ?? 0) - room, (hi ?? 1) + room], [height - 2, 2]);
  return { y: s, ticks: s.ticks(Math.max(2, Math.round(height / 44))) };
}

export interface DateTick {
  readonly t: number;
  readonly label: string;
  readonly year: boolean;
}

/** The upright lines of a span of months or years, by the shed's calendar; no two names closer than `apart` px. */
export function dateTicks(from: number, to: number, width: number, apart: number, zone: string): DateTick[] {
  const parts = calendar(zone);
  const months = (to - from) / (30.44 * 24 * 3_600_000);
  const room = Math.max(1, Math.floor(width / apart));
  const every = [1, 2, 3, 6, 12, 24, 60, 120].find((m) => months / m <= room) ?? 240;
  const [y0, m0] = parts(from);
  const out: DateTick[] = [];
  for (let k = y0 * 12 + m0 - 1; ; k++) {
    if (k % every !== 0) continue;
    // The first of the month at noon UTC lies on that day in nearly every zone; a tick needs no better.
    const t = Date.UTC(Math.floor(k / 12), k % 12, 1, 0);
    if (t > to) break;
    if (t < from) continue;
    const january = k % 12 === 0;
    out.push({ t, label: january || every >= 12 ? String(Math.floor(k / 12)) : (monthNames[k % 12] ?? ""), year: january });
  }
  return out;
}

const monthNames = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

const kept = new Map<string, Intl.DateTimeFormat>();

function format(zone: string, name: string, options: Intl.DateTimeFormatOptions): Intl.DateTimeFormat {
  const key = `${zone} ${name}`;
  let f = kept.get(key);
  if (!f) {
    try {
      f = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat("en-GB", { ...options, timeZone: "UTC" }); // A zone this browser does not know.
    }
    kept.set(key, f);
  }
  return f;
}

/** Year and month (from 1) by the zone's calendar. */
function calendar(zone: string): (t: number) => readonly [number, number] {
  const f = format(zone, "month", { year: "numeric", month: "numeric" });
  return (t) => {
    const p = f.formatToParts(t);
    const n = (type: string): number => Number(p.find((x) => x.type === type)?.value ?? 0);
    return [n("year"), n("month")];
  };
}

/** "24 October", with its year where that is another than the newest's. */
export function dateOf(t: number, newest: number, zone: string): string {
  const year = calendar(zone);
  const other = year(t)[0] !== year(newest)[0];
  return format(zone, other ? "date year" : "date", { day: "numeric", month: "long", ...(other ? { year: "numeric" } : {}) }).format(t);
}
