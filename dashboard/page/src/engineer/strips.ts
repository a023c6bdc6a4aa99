/** The strips of a sheet of evenings, what of time it shows, and what the evenings have in common. */
import { pressureScale, temperatureScale } from "../chart/scale.ts";
import type { Engine } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import { coarsest } from "./curves.ts";
import { bandOf, between, differsMost, knownTogether, outside, sampled, type Align, type Band, type Curve, type Laid } from "./lay.ts";
import { minutesOf, target } from "./told.ts";
import type { Seen } from "./zoom.ts";

const minute = 60_000;
/** Steps of the grid on which evenings are compared. */
const steps = 480;
export const noCurve: Curve = [];

export interface Strip {
  readonly key: "boiler" | "shell" | "firebox";
  readonly channel: string;
  readonly what: string;
  /** The channel's value to px down the strip. */
  readonly y: (v: number) => number;
  readonly height: number;
  readonly slack: number;
}

export interface Rects {
  readonly width: number;
  readonly height: number;
  readonly rows: Readonly<Record<string, { readonly top: number; readonly height: number }>>;
}

/** The channels that a sheet draws of an engine: pressure, one of the shell, firebox. */
export function channelsOf(engine: Engine): { readonly boiler: string; readonly shell: string; readonly firebox: string } {
  const shells = engine.measured.filter((c) => c.startsWith("boiler.shell."));
  return { boiler: "boiler.pressure", shell: shells.find((c) => c === "boiler.shell.top") ?? shells[0] ?? "boiler.shell.top", firebox: "firebox" };
}

export function stripsOf(engine: Engine, rects: Rects): Strip[] {
  const of = channelsOf(engine);
  const height = (row: string): number => rects.rows[row]?.height ?? 0;
  const made: Strip[] = [
    { key: "boiler", channel: of.boiler, what: words.pressure, height: height("boiler"), y: pressureScale(engine.working_pressure, height("boiler")), slack: 5_000 },
    { key: "shell", channel: of.shell, what: words.shellWord, height: height("shell"), y: temperatureScale(20, 190, height("shell")), slack: 3 },
    { key: "firebox", channel: of.firebox, what: words.fireboxWord, height: height("firebox"), y: temperatureScale(20, 950, height("firebox")), slack: 15 },
  ];
  return made.filter((s) => engine.measured.includes(s.channel));
}

/** From the beginning of any to the end of any, a minute wider; of one that has not ended, to its last sample. */
export function extent(all: readonly Laid[]): Seen {
  let [from, to] = [Infinity, -Infinity];
  for (const l of all) {
    const begun = Date.parse(l.disposal.begun);
    from = Math.min(from, l.shift);
    if (l.disposal.ended !== undefined) to = Math.max(to, Date.parse(l.disposal.ended) - begun + l.shift);
    else for (const c of Object.values(l.curves)) to = Math.max(to, (c.at(-1)?.t.at(-1) ?? -Infinity) + l.shift);
  }
  return from < to ? { from: from - minute, to: to + minute } : { from: -30 * minute, to: 240 * minute };
}

export const spanOf = (l: Laid): number => {
  const e = extent([l]);
  return e.to - e.from;
};

/** What is seen at first: from half an hour before to well past the mark that the heading tells. */
export function opening(all: readonly Laid[], by: Align, whole: Seen): Seen {
  const before = by === "fire-out" ? 30 : 120;
  const marked = all.map((l) => minutesOf(l.disposal, target[by], by)).filter((t) => t !== null);
  const far = marked.length > 0 ? Math.max(...marked) / minute : 180;
  const to = Math.max(by === "fire-out" ? 240 : 180, Math.ceil((far * 1.3 + 20) / 30) * 30);
  return { from: Math.max(whole.from, -before * minute), to: Math.min(whole.to, Math.min(to, 900) * minute) };
}

/** Of many evenings, the first and the last to pass the mark: they are named. */
export function endsOf(others: readonly Laid[], by: Align): readonly (Laid | null)[] {
  const known = others
    .map((l) => ({ l, t: minutesOf(l.disposal, target[by], by) }))
    .filter((x): x is { l: Laid; t: number } => x.t !== null)
    .sort((a, b) => a.t - b.t);
  return [known[0]?.l ?? null, known.length > 1 ? (known.at(-1)?.l ?? null) : null];
}

export interface Compared {
  readonly band: Band | null;
  readonly most: { readonly at: number; readonly by: number } | null;
  readonly out: readonly Seen[] | null;
}

interface Steps {
  readonly from: number;
  readonly to: number;
  readonly values: Float64Array;
}
const stepped = new WeakMap<Curve, Steps>();

/** A curve at the steps at which evenings are compared; kept, since it is asked for again with each that comes. */
export function stepsOf(l: Laid, channel: string, whole: Seen): Float64Array {
  const c = l.curves[channel] ?? noCurve;
  const [from, to] = [whole.from - l.shift, whole.to - l.shift];
  const kept = stepped.get(c);
  if (kept && kept.from === from && kept.to === to) return kept.values;
  const values = sampled(coarsest(c), from, to, steps);
  stepped.set(c, { from, to, values });
  return values;
}

/** What a strip's evenings have in common, and where the bold one differs; all null where that is not known. */
export function compare(s: Strip, bold: Laid, others: readonly Laid[], whole: Seen, many: boolean): Compared {
  const on = (l: Laid): Float64Array => stepsOf(l, s.channel, whole);
  const one = others[0];
  // What has not come is not compared, and what nothing is known of lies nowhere.
  if (!one || [bold, ...others].some((l) => !l.curves[s.channel])) return { band: null, most: null, out: null };
  const mine = on(bold);
  if (!many) {
    const theirs = on(one);
    return { band: between(mine, theirs, whole.from, whole.to), most: differsMost(mine, theirs, whole.from, whole.to), out: null };
  }
  const band = bandOf(others.map(on), whole.from, whole.to);
  return { band, most: null, out: knownTogether(mine, band) ? outside(mine, band, s.slack) : null };
}
