/**
 * The sheets of several evenings on top of each other, each laid by a moment of its
 * own. They differ by the weight of their line and a name on a leader, never by
 * colour; of many, the chosen one is bold, the others thin, and all of them a band.
 */
import { useSignal, type Signal } from "@preact/signals";
import type { ComponentChildren, RefObject } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { pressureScale, pressureTicks, temperatureScale } from "../chart/scale.ts";
import { useWindow } from "../parts/size.ts";
import { ground, pressureUnit, temperatureUnit, type Units } from "../state/own.ts";
import type { Engine } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import * as write from "../words/units.ts";
import { fetchFiner, finest } from "./fetched.ts";
import { commanded, useHand, type Command } from "./hand.ts";
import { area, drawn, inks, penOf, shore, strokeAll, upright, type Drawn, type Inks } from "./ink.ts";
import { bandOf, between, differsMost, marks, middle, outside, sampled, thinCurve, valueAt, type Align, type Band, type Curve, type Laid, type Mark } from "./lay.ts";
import { placeNames, type PlacedName } from "./names.ts";
import { difference, few, figure, minutesOf, target, unitOf } from "./told.ts";
import { countedStep, multiples, placeOf, type Bounds, type Seen } from "./zoom.ts";

const minute = 60_000;
/** The shortest span that the curves of an evening are dense enough for. */
const least = 4 * minute;
/** Points of a curve while all of it is seen: two a pixel would be no finer. */
const coarse = 260;
/** Of an evening less than this is seen: its finer curves are fetched, and drawn below the next share. */
const closerShare = 0.4;
const fineShare = 0.34;
/** Steps of the grid on which evenings are compared. */
const steps = 480;
/** What is drawn bold, then those under it, in px. */
const weights = [4.2, 2, 1.3, 0.9] as const;
const thinWeight = 0.9;
const endWeight = 1.5;

export interface OverlayProps {
  readonly engine: Engine;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  readonly by: Align;
  readonly names: ReadonlyMap<string, string>;
  /** Called each time that the curves of all of them are drawn. */
  readonly onDrawn: () => void;
  /** Stands beside the words that come closer. */
  readonly children?: ComponentChildren;
}

interface Strip {
  readonly key: "boiler" | "shell" | "firebox";
  readonly channel: string;
  readonly what: string;
  /** The channel's value to px down the strip. */
  readonly y: (v: number) => number;
  readonly height: number;
  readonly slack: number;
}

interface Rects {
  readonly width: number;
  readonly height: number;
  readonly rows: Readonly<Record<string, { readonly top: number; readonly height: number }>>;
}

export function Overlay({ engine, bold, others, by, names, onDrawn, children }: OverlayProps) {
  const u: Units = { pressure: pressureUnit.value, temperature: temperatureUnit.value };
  const all = useMemo(() => [bold, ...others], [bold, others]);
  const many = others.length > few;
  const whole = useMemo(() => extent(all), [all]);
  const first = useMemo(() => opening(all, by, whole), [all, by, whole]);
  const bounds: Bounds = useMemo(() => ({ whole, least }), [whole]);
  const seen = useSignal<Seen>(first);
  const read = useSignal<number | null>(null);
  // Fitted anew where another evening is bold, or it is laid by another moment, or nobody moved it yet.
  const fitted = useRef({ first, of: "" });
  useLayoutEffect(() => {
    const of = `${bold.id} ${by}`;
    const old = fitted.current;
    if (old.of !== of || (seen.value.from === old.first.from && seen.value.to === old.first.to)) seen.value = first;
    if (old.of !== of) read.value = null;
    fitted.current = { first, of };
  }, [first, bold.id, by]);

  const plot = useRef<HTMLDivElement>(null);
  const sheet = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const rects = useRects(sheet, plot);
  const { rem } = useWindow();
  useHand(plot, { seen, bounds, wheels: false, reads: (t) => (read.value = t) });

  const ends = useMemo(() => (many ? endsOf(others, by) : null), [many, others, by]);
  const named = useMemo(() => (ends ? ends.filter((l) => l !== null) : others), [ends, others]);
  const strips = useMemo(() => stripsOf(engine, rects), [engine, rects]);
  const laneMarks = useMemo(() => marks.filter((m) => m !== "blow_down_finished" && m !== alignedMark[by] && all.some((l) => minutesOf(l.disposal, m, by) !== null)), [all, by]);
  const compared = useMemo(() => strips.map((s) => compare(s, bold, others, whole, many)), [strips, bold, others, whole, many]);
  const bands = useMemo(() => strips.map((s, i) => bandPath(compared[i]?.band ?? null, s)), [strips, compared]);
  const ready = useReady(strips, all, rects);
  const drawnAll = ready === all.length && rects.width > 0;
  useEffect(() => {
    if (drawnAll) onDrawn();
  }, [drawnAll, onDrawn]);

  // Drawn in the frame after whatever changed, once.
  const due = useRef(0);
  const draw = useRef<() => void>(() => {});
  draw.current = () => {
    const c = canvas.current;
    if (!c || rects.width === 0) return;
    const whole = paint(c, { rects, strips, ready, bands, seen: seen.value, read: read.value, bold, others, many, ends, engine, by, laneMarks });
    if (!whole) soon();
  };
  const soon = (): void => {
    if (due.current === 0)
      due.current = requestAnimationFrame(() => {
        due.current = 0;
        draw.current();
      });
  };
  useLayoutEffect(soon, [rects, strips, ready, bands, bold, others, by, laneMarks, ground.value]);
  useEffect(() => {
    let stop: (() => void) | undefined;
    const stopLooking = seen.subscribe((s) => {
      if (s.to - s.from < closerShare * spanOf(bold)) stop ??= fetchFiner(engine.id, all, by, soon);
    });
    return () => {
      stopLooking();
      stop?.();
    };
  }, [engine.id, bold, all, by]);
  useEffect(() => {
    const stops = [seen.subscribe(soon), read.subscribe(soon)];
    return () => {
      stops.forEach((s) => s());
      cancelAnimationFrame(due.current);
      due.current = 0;
    };
  }, []);

  const name = (id: string): string => names.get(id) ?? id;
  const columns = columnsOf(bold, others, many, by, name);
  const note = (s: Strip): string | null => {
    const mark = engine.marks[s.key === "boiler" ? "blow_down_max" : s.key === "shell" ? "boiling_c" : "house_firebox_c"];
    if (mark === undefined) return null;
    return s.key === "boiler" ? words.cocksFrom(write.pressure(mark, u)) : s.key === "shell" ? words.boilsAt(write.temperature(mark, u, 1)) : words.houseAt(write.temperature(mark, u));
  };
  const titles = { boiler: words.boiler(write.pressureName(u)), shell: words.shell(write.temperatureName(u)), firebox: words.firebox(write.temperatureName(u)) };

  return (
    <section class="over" aria-label={words.tableName(words.after[by])}>
      <div class="over-sheet" ref={sheet} style={{ "--columns": columns.length }}>
        <div role="table" aria-label={words.tableName(words.after[by])}>
          <div class="over-row over-scale" role="row">
            <div class="over-name over-min" role="columnheader">{words.minutes(words.after[by])}</div>
            <div class="over-plot" role="columnheader" data-row="scale">
              <span class="aloud">{words.differences}</span>
              <Scale seen={seen} width={rects.width} rem={rem} by={by} />
            </div>
            <Cells head values={columns.map((c) => c.head)} />
          </div>
          {strips.map((s, i) => (
            <div key={s.key} class={`over-row over-strip over-${s.key}`} role="row">
              <div class="over-name" role="rowheader">
                <span class="strip-title">{titles[s.key]}</span>
                {note(s) && <span class="note">{note(s)}</span>}
              </div>
              <div class="over-plot" role="cell">
                <span class="over-found">{foundOf(s, compared[i], many, name(bold.id), u)}</span>
                <div class="over-area" data-row={s.key}>
                  <Axis strip={s} engine={engine} height={rects.rows[s.key]?.height ?? 0} u={u} rem={rem} />
                </div>
              </div>
              <Cells values={columns.map((c) => c.first(s.channel, u))} sub={words.firstRow} />
            </div>
          ))}
          {laneMarks.map((m) => (
            <div key={m} class="over-row over-lane" role="row">
              <div class="over-name" role="rowheader">{words.mark[m]}</div>
              <div class="over-plot" role="cell" data-row={m} />
              <Cells values={columns.map((c) => c.mark(m))} />
            </div>
          ))}
          <div class="over-row over-lane over-last" role="row">
            <div class="over-name" role="rowheader">
              {words.lossRow}, {words.lossUnit}
            </div>
            <div class="over-plot" role="cell" data-row="loss" />
            <Cells values={columns.map((c) => c.loss)} />
          </div>
        </div>
        <div class="over-ground">
          <HandOn of={plot} seen={seen} told={sheetName} drawn={ready}>
            <canvas ref={canvas} aria-hidden="true" />
            <Names engine={engine} seen={seen} rects={rects} strip={strips[0]} ready={ready} bold={bold} others={named} under={many ? others : none} name={name} rem={rem} />
          </HandOn>
        </div>
      </div>
      <div class="over-foot">
        <Hands seen={seen} bounds={bounds} howTo={words.howTo}>
          {children}
        </Hands>
        <Reading read={read} all={all} bold={bold} many={many} strips={strips} name={name} u={u} />
        <p class="over-shaded">{shadedOf(others, many, name, bold)}</p>
      </div>
    </section>
  );
}

interface HandOnProps {
  readonly of: RefObject<HTMLDivElement>;
  readonly seen: Signal<Seen>;
  readonly told: (s: Seen) => string;
  /** Calls still to come. */
  readonly coming?: number;
  /** Evenings whose curves are drawn. */
  readonly drawn?: number;
  readonly children: ComponentChildren;
}

/** What a hand moves; only it and the scale are made anew in each frame of a move. */
export function HandOn({ of, seen, told, coming, drawn, children }: HandOnProps) {
  return (
    <div class="over-hand" ref={of} tabIndex={0} role="group" aria-label={told(seen.value)} data-coming={coming} data-drawn={drawn}>
      {children}
    </div>
  );
}

const alignedMark: Readonly<Record<Align, Mark>> = { "fire-out": "fire_out", "blow-down": "blow_down_begun", "pressure-zero": "pressure_zero" };

const sheetName = (s: Seen): string => {
  const step = s.to - s.from < 20 * minute ? 1000 : minute;
  return words.sheetName(words.min(words.counted(s.from, step)), words.min(words.counted(s.to, step)));
};

/** From the beginning of any to the end of any, a minute wider; of one that has not ended, to its last sample. */
function extent(all: readonly Laid[]): Seen {
  let [from, to] = [Infinity, -Infinity];
  for (const l of all) {
    const begun = Date.parse(l.disposal.begun);
    from = Math.min(from, l.shift);
    if (l.disposal.ended !== undefined) to = Math.max(to, Date.parse(l.disposal.ended) - begun + l.shift);
    else for (const c of Object.values(l.curves)) to = Math.max(to, (c.at(-1)?.t.at(-1) ?? -Infinity) + l.shift);
  }
  return from < to ? { from: from - minute, to: to + minute } : { from: -30 * minute, to: 240 * minute };
}

/** What is seen at first: from half an hour before to well past the mark that the heading tells. */
function opening(all: readonly Laid[], by: Align, whole: Seen): Seen {
  const before = by === "fire-out" ? 30 : 120;
  const marked = all.map((l) => minutesOf(l.disposal, target[by], by)).filter((t) => t !== null);
  const far = marked.length > 0 ? Math.max(...marked) / minute : 180;
  const to = Math.max(by === "fire-out" ? 240 : 180, Math.ceil((far * 1.3 + 20) / 30) * 30);
  return { from: Math.max(whole.from, -before * minute), to: Math.min(whole.to, Math.min(to, 900) * minute) };
}

/** Of many evenings, the first and the last to pass the mark: they are named. */
function endsOf(others: readonly Laid[], by: Align): readonly (Laid | null)[] {
  const known = others
    .map((l) => ({ l, t: minutesOf(l.disposal, target[by], by) }))
    .filter((x): x is { l: Laid; t: number } => x.t !== null)
    .sort((a, b) => a.t - b.t);
  return [known[0]?.l ?? null, known.length > 1 ? (known.at(-1)?.l ?? null) : null];
}

/** The channels that a sheet draws of an engine: pressure, one of the shell, firebox. */
export function channelsOf(engine: Engine): { readonly boiler: string; readonly shell: string; readonly firebox: string } {
  const shells = engine.measured.filter((c) => c.startsWith("boiler.shell."));
  return { boiler: "boiler.pressure", shell: shells.find((c) => c === "boiler.shell.top") ?? shells[0] ?? "boiler.shell.top", firebox: "firebox" };
}

function stripsOf(engine: Engine, rects: Rects): Strip[] {
  const of = channelsOf(engine);
  const height = (row: string): number => rects.rows[row]?.height ?? 0;
  const made: Strip[] = [
    { key: "boiler", channel: of.boiler, what: words.pressure, height: height("boiler"), y: pressureScale(engine.working_pressure, height("boiler")), slack: 5_000 },
    { key: "shell", channel: of.shell, what: words.shellWord, height: height("shell"), y: temperatureScale(20, 190, height("shell")), slack: 3 },
    { key: "firebox", channel: of.firebox, what: words.fireboxWord, height: height("firebox"), y: temperatureScale(20, 950, height("firebox")), slack: 15 },
  ];
  return made.filter((s) => engine.measured.includes(s.channel));
}

function bandPath(b: Band | null, s: Strip): Path2D | null {
  return b && s.height > 0 ? area(b.from / 1000, b.per / 1000, b.lo, b.hi, s.y) : null;
}

interface Compared {
  readonly band: Band | null;
  readonly most: { readonly at: number; readonly by: number } | null;
  readonly out: readonly Seen[] | null;
}

function compare(s: Strip, bold: Laid, others: readonly Laid[], whole: Seen, many: boolean): Compared {
  const on = (l: Laid): Float64Array => sampled(l.curves[s.channel] ?? [], whole.from - l.shift, whole.to - l.shift, steps);
  const one = others[0];
  if (!one) return { band: null, most: null, out: null };
  const mine = on(bold);
  if (!many) {
    const theirs = on(one);
    return { band: between(mine, theirs, whole.from, whole.to), most: differsMost(mine, theirs, whole.from, whole.to), out: null };
  }
  const band = bandOf(others.map(on), whole.from, whole.to);
  return { band, most: null, out: outside(mine, band, s.slack) };
}

function foundOf(s: Strip, c: Compared | undefined, many: boolean, name: string, u: Units): string {
  if (!c) return "";
  if (c.most && !many) return words.differs(s.what, words.min(words.counted(c.most.at, minute)), difference(s.channel, c.most.by, u));
  if (!c.out) return "";
  // The longest two: more would be a list.
  const long = [...c.out].filter((o) => o.to - o.from >= minute).sort((a, b) => b.to - b.from - (a.to - a.from)).slice(0, 2).sort((a, b) => a.from - b.from);
  if (long.length === 0) return words.leavesNowhere(name, s.what);
  return words.leaves(name, s.what, long.map((o) => words.fromTo(words.counted(o.from, minute), words.min(words.counted(o.to, minute)))));
}

function shadedOf(others: readonly Laid[], many: boolean, name: (id: string) => string, bold: Laid): string {
  const one = others[0];
  if (!one) return "";
  return many ? words.shadedAll(others.length) : words.shaded(name(bold.id), name(one.id));
}

/** How long a slice of work may take before the page draws again. */
const sliceMs = 8;
/** What has come so far is drawn at most this often: each time all of it is. */
const shownMs = 150;

const kept = new WeakMap<Curve, Curve>();
function thinned(c: Curve): Curve {
  let t = kept.get(c);
  if (!t) kept.set(c, (t = thinCurve(c, coarse)));
  return t;
}

/** The paths of a curve for a strip of one height: made once, the fine ones when they are first needed. */
interface Paths {
  readonly height: number;
  readonly coarse: Drawn;
  fine?: { readonly of: Curve; readonly drawn: Drawn };
}
const paths = new WeakMap<Curve, Paths>();
function pathsOf(c: Curve, s: Strip): Paths {
  const p = paths.get(c);
  if (p && p.height === s.height) return p;
  const made: Paths = { height: s.height, coarse: drawn(thinned(c), s.y) };
  paths.set(c, made);
  return made;
}

/** Makes the paths in slices, an evening at a time, so that no task is long; true once all are made. */
function useReady(strips: readonly Strip[], all: readonly Laid[], rects: Rects): number {
  const [ready, set] = useState(0);
  useEffect(() => {
    if (rects.width === 0) return;
    let next = 0;
    let told = performance.now();
    let timer: ReturnType<typeof setTimeout> | undefined;
    const some = (): void => {
      const until = performance.now() + sliceMs;
      while (next < all.length && performance.now() < until) {
        const l = all[next++];
        if (l) for (const s of strips) pathsOf(l.curves[s.channel] ?? nothing, s);
      }
      if (next === all.length || performance.now() - told > shownMs) {
        set(next);
        told = performance.now();
      }
      if (next < all.length) timer = setTimeout(some);
    };
    some();
    return () => clearTimeout(timer);
  }, [strips, all, rects]);
  return Math.min(ready, all.length);
}

const nothing: Curve = [];

interface Picture {
  readonly rects: Rects;
  readonly strips: readonly Strip[];
  /** How many of the evenings have their paths, the bold one first. */
  readonly ready: number;
  readonly bands: readonly (Path2D | null)[];
  readonly seen: Seen;
  readonly read: number | null;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  readonly many: boolean;
  readonly ends: readonly (Laid | null)[] | null;
  readonly engine: Engine;
  readonly by: Align;
  readonly laneMarks: readonly Mark[];
}

/** Paints all of it; false where some curves are still to be drawn as finely as they are known. */
function paint(canvas: HTMLCanvasElement, p: Picture): boolean {
  const { rects, seen, bold, others, many } = p;
  const { width, height } = rects;
  const ctx = penOf(canvas, width, height);
  if (!ctx) return true;
  const ink = inks();
  const rows = Object.entries(rects.rows).filter(([k]) => k !== "scale").map(([, r]) => r);
  for (const r of rows) grid(ctx, seen, width, r.top, r.top + r.height, ink);
  const perSecond = (width / (seen.to - seen.from)) * 1000;
  const [from, to] = [seen.from / 1000, seen.to / 1000];
  // So close that the thinned curve would show its corners.
  const close = seen.to - seen.from < fineShare * spanOf(bold);
  const until = performance.now() + sliceMs;
  let whole = true;
  p.strips.forEach((s, i) => {
    const row = rects.rows[s.key];
    if (!row || row.height !== s.height) return;
    ctx.save();
    ctx.beginPath();
    ctx.rect(0, row.top, width, row.height);
    ctx.clip();
    const path = p.bands[i];
    if (path) {
      const band = new Path2D();
      band.addPath(path, new DOMMatrix([perSecond, 0, 0, 1, -from * perSecond, row.top]));
      ctx.fillStyle = ink.fan;
      ctx.fill(band);
    }
    limits(ctx, p.engine, s, row.top, width, ink);
    ctx.strokeStyle = ink.ink;
    const stroke = (l: Laid, weight: number): void => {
      const c = l.curves[s.channel] ?? nothing;
      const made = pathsOf(c, s);
      // As many a frame as leave it one; the others come in the next ones.
      const fine = close ? finest(c) : null;
      if (fine && made.fine?.of !== fine && performance.now() < until) made.fine = { of: fine, drawn: drawn(fine, s.y) };
      if (fine && made.fine?.of !== fine) whole = false;
      ctx.lineWidth = weight * (s.key === "boiler" ? 1 : 0.75);
      const by = l.shift / 1000;
      strokeAll(ctx, close ? (made.fine?.drawn ?? made.coarse) : made.coarse, new DOMMatrix([perSecond, 0, 0, 1, (by - from) * perSecond, row.top]), from - by, to - by);
    };
    const shown = others.slice(0, Math.max(0, p.ready - 1));
    if (many) {
      for (const l of shown) if (!p.ends?.includes(l)) stroke(l, thinWeight);
      for (const l of p.ends ?? []) if (l && shown.includes(l)) stroke(l, endWeight);
    } else [...shown].reverse().forEach((l, k) => stroke(l, weights[shown.length - k] ?? thinWeight));
    stroke(bold, weights[0]);
    ctx.restore();
  });
  for (const m of p.laneMarks) lane(ctx, p, m, ink);
  // What they are laid by.
  for (const r of rows) {
    upright(ctx, placeOf(seen, 0, width), r.top, r.top + r.height, ink.ink, 2);
    if (p.read !== null) upright(ctx, placeOf(seen, p.read, width), r.top, r.top + r.height, ink.ink, 1);
  }
  return whole;
}

const spanOf = (l: Laid): number => {
  const e = extent([l]);
  return e.to - e.from;
};

function grid(ctx: CanvasRenderingContext2D, seen: Seen, width: number, top: number, bottom: number, ink: Inks): void {
  const per = width / (seen.to - seen.from);
  const fine = [minute, 10 * minute, 30 * minute, 60 * minute, 360 * minute].find((s) => s * per >= 9) ?? 1440 * minute;
  for (const t of multiples(seen, fine)) {
    const heavy = t % (60 * minute) === 0 && fine < 60 * minute ? 2 : t % (30 * minute) === 0 && fine < 30 * minute ? 1 : fine >= 60 * minute && t % (1440 * minute) === 0 ? 2 : 0;
    upright(ctx, placeOf(seen, t, width), top, bottom, heavy === 2 ? ink.hour : heavy === 1 ? ink.half : ink.ten, 1);
  }
}

function limits(ctx: CanvasRenderingContext2D, engine: Engine, s: Strip, top: number, width: number, ink: Inks): void {
  const mark = (key: string): number | null => {
    const v = engine.marks[key];
    return typeof v === "number" && Number.isFinite(v) ? v : null;
  };
  const band = mark("zero_band");
  if (s.key === "boiler" && band !== null) {
    const [a, b] = [top + s.y(band), top + s.y(-band)];
    ctx.fillStyle = ink.fan;
    ctx.fillRect(0, a, width, Math.max(2, b - a));
    ctx.strokeStyle = ink.ink2;
    ctx.lineWidth = 1;
    ctx.strokeRect(-2, a, width + 4, Math.max(2, b - a));
  }
  const limit = mark(s.key === "boiler" ? "blow_down_max" : s.key === "shell" ? "boiling_c" : "house_firebox_c");
  if (limit !== null) shore(ctx, top + s.y(limit), width, ink.ink2);
}

/** A mark's lane: a tick an evening, the bold one tall; of many, the band of the others. A blow-down is a bar to its end. */
function lane(ctx: CanvasRenderingContext2D, p: Picture, mark: Mark, ink: Inks): void {
  const row = p.rects.rows[mark];
  if (!row) return;
  const { seen, by } = p;
  const { width } = p.rects;
  const at = (t: number): number => placeOf(seen, t, width);
  const middleY = row.top + row.height / 2;
  const theirs = p.others.map((l) => minutesOf(l.disposal, mark, by)).filter((t) => t !== null);
  if (p.many && theirs.length > 1) {
    const [lo, hi] = [at(Math.min(...theirs)), at(Math.max(...theirs))];
    ctx.fillStyle = ink.fan;
    ctx.fillRect(lo, row.top + 4, Math.max(2, hi - lo), row.height - 8);
  }
  const one = (l: Laid, y: number, tall: number, weight: number): void => {
    const t = minutesOf(l.disposal, mark, by);
    if (t === null) return;
    const end = mark === "blow_down_begun" && !(p.many && l !== p.bold) ? minutesOf(l.disposal, "blow_down_finished", by) : null;
    ctx.fillStyle = ink.ink;
    if (end !== null && end > t) ctx.fillRect(at(t), y - tall / 2, Math.max(2, at(end) - at(t)), tall);
    else ctx.fillRect(at(t) - weight / 2, y - Math.max(tall, 8) / 2, weight, Math.max(tall, 8));
    // Off the sheet: an open chevron at the edge.
    if (at(t) > width || at(end ?? t) < 0) {
      const right = at(t) > width;
      ctx.strokeStyle = ink.ink;
      ctx.lineWidth = weight > 2 ? 2.2 : 1.2;
      ctx.beginPath();
      const x = right ? width - 4 : 4;
      const d = right ? -6 : 6;
      ctx.moveTo(x + d, y - 3.5);
      ctx.lineTo(x, y);
      ctx.lineTo(x + d, y + 3.5);
      ctx.stroke();
    }
  };
  if (p.many) {
    for (const l of p.others) one(l, middleY + row.height / 5, row.height / 4, 1);
    one(p.bold, middleY - row.height / 8, row.height / 2, 4);
    return;
  }
  const n = p.others.length;
  one(p.bold, n === 0 ? middleY : row.top + row.height * 0.3, row.height * 0.42, 4.5);
  // Each on a line of its own, so that ticks of one minute do not hide each other.
  p.others.forEach((l, k) => one(l, row.top + row.height * (0.58 + (k * 0.28) / Math.max(1, n - 0.2)), 6 - k, 3 - k * 0.5));
}

interface Column {
  readonly head: string;
  readonly mark: (m: Mark) => string;
  readonly first: (channel: string, u: Units) => string;
  readonly loss: string;
}

/** The columns of figures: an evening each; of many, the bold one, and the others' middle and ends. */
function columnsOf(bold: Laid, others: readonly Laid[], many: boolean, by: Align, name: (id: string) => string): Column[] {
  const firstOf = (l: Laid, channel: string): number | null => {
    const f = l.disposal.summary?.first;
    return (channel === "boiler.pressure" ? f?.pressure_pa : channel === "firebox" ? f?.firebox_c : f?.shell_c) ?? null;
  };
  const own = (l: Laid): Column => ({
    head: short(name(l.id)),
    mark: (m) => told(minutesOf(l.disposal, m, by), words.lasting),
    first: (c, u) => told(firstOf(l, c), (v) => figure(c, v, u)),
    loss: told(l.disposal.summary?.heat_loss?.value ?? null, (v) => v.toFixed(3)),
  });
  if (!many) return [own(bold), ...others.map(own)];
  const known = (of: (l: Laid) => number | null): number[] => others.map(of).filter((v) => v !== null);
  const made = (head: string, pick: (all: readonly number[]) => number | null): Column => ({
    head,
    mark: (m) => told(pick(known((l) => minutesOf(l.disposal, m, by))), words.lasting),
    first: (c, u) => told(pick(known((l) => firstOf(l, c))), (v) => figure(c, v, u)),
    loss: told(pick(known((l) => l.disposal.summary?.heat_loss?.value ?? null)), (v) => v.toFixed(3)),
  });
  const end = (f: (...v: number[]) => number) => (all: readonly number[]): number | null => (all.length > 0 ? f(...all) : null);
  return [own(bold), made(words.middle, middle), made(words.quickest, end(Math.min)), made(words.slowest, end(Math.max))];
}

const told = (v: number | null, write: (v: number) => string): string => (v === null ? words.notSeen : write(v));
/** "24 October" as "24 Oct", so that columns stay narrow. */
const short = (name: string): string => name.replace(/^(\d+ \p{L}{3})\p{L}*/u, "$1");

function Cells({ values, head, sub }: { values: readonly string[]; head?: boolean; sub?: string }) {
  return (
    <>
      {values.map((v, i) => (
        <div key={i} class={`over-cell${i === 0 ? " over-cell-bold" : ""}${v === words.notSeen ? " over-cell-none" : ""}`} style={{ "--i": i }} role={head ? "columnheader" : "cell"}>
          {sub && i === 0 ? <small>{sub}</small> : null}
          {v}
        </div>
      ))}
    </>
  );
}

/** Where each row's drawing lies, measured: rows grow with the person's text. */
function useRects(sheet: RefObject<HTMLElement>, plot: RefObject<HTMLElement>): Rects {
  const [rects, set] = useState<Rects>({ width: 0, height: 0, rows: {} });
  useLayoutEffect(() => {
    const s = sheet.current;
    const p = plot.current;
    if (!s || !p) return;
    const take = (): void => {
      const o = p.getBoundingClientRect();
      const rows: Record<string, { top: number; height: number }> = {};
      for (const e of s.querySelectorAll<HTMLElement>("[data-row]")) {
        const r = e.getBoundingClientRect();
        rows[e.dataset["row"] ?? ""] = { top: Math.round(r.top - o.top), height: Math.round(r.height) };
      }
      const now: Rects = { width: Math.round(o.width), height: Math.round(o.height), rows };
      set((old) => (JSON.stringify(old) === JSON.stringify(now) ? old : now));
    };
    take();
    const watch = new ResizeObserver(take);
    watch.observe(s);
    const more = new MutationObserver(take);
    // A lane that comes or goes moves the rest; what the hand moves within a row does not.
    if (s.firstElementChild) more.observe(s.firstElementChild, { childList: true });
    return () => {
      watch.disconnect();
      more.disconnect();
    };
  }, []);
  return rects;
}

function Scale({ seen, width, rem, by }: { seen: Signal<Seen>; width: number; rem: number; by: Align }) {
  const s = seen.value;
  const step = countedStep(s, width, 4.6 * rem);
  const zero = placeOf(s, 0, width);
  const flag = zero >= -1 && zero <= width + 1;
  return (
    <>
      {multiples(s, step)
        .filter((t) => t !== 0 || !flag)
        .map((t) => ({ t, x: placeOf(s, t, width) }))
        .filter(({ x }) => x > 1.1 * rem && x < width - 1.1 * rem && (!flag || Math.abs(x - zero) > 4.2 * rem))
        .map(({ t, x }) => (
          <span key={t} aria-hidden="true" class={t % (60 * minute) === 0 ? "time time-hour" : "time"} style={{ left: `${x}px` }}>
            {words.counted(t, step)}
          </span>
        ))}
      {flag && (
        <span class="over-flag" aria-hidden="true" style={{ left: `${Math.max(2.4 * rem, Math.min(width - 2.4 * rem, zero))}px` }}>
          {words.alignFlag[by]}
        </span>
      )}
    </>
  );
}

function Axis({ strip, engine, height, u, rem }: { strip: Strip; engine: Engine; height: number; u: Units; rem: number }) {
  const ticks =
    strip.key === "boiler"
      ? pressureTicks(engine.working_pressure, height, 1.25 * rem, u)
      : [100, 800, 400, 50, 200, 600, 150]
          .filter((c) => (strip.key === "firebox" ? c % 200 === 0 : c < 190))
          .map((c) => ({ y: strip.y(c), label: write.temperature(c, u), heavy: false }))
          .reduce<{ y: number; label: string; heavy: boolean }[]>((kept, t) => (t.y > 8 && t.y < height - 6 && kept.every((k) => Math.abs(k.y - t.y) >= 1.15 * rem) ? [...kept, t] : kept), []);
  return (
    <div class="over-axes" aria-hidden="true">
      {ticks.map((t) => (
        <span key={t.label} class={t.heavy ? "axis axis-heavy" : "axis"} style={{ top: `${t.y}px` }}>
          {t.label}
        </span>
      ))}
    </div>
  );
}

interface NamesProps {
  readonly engine: Engine;
  readonly seen: Signal<Seen>;
  readonly rects: Rects;
  readonly strip: Strip | undefined;
  readonly ready: number;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  /** Those that are drawn, but not named. */
  readonly under: readonly Laid[];
  readonly name: (id: string) => string;
  readonly rem: number;
}

const none: readonly Laid[] = [];

/** How long what is seen must rest before names are placed anew. */
const restMs = 90;

/** The names on their leaders: placed when the sheet comes to rest, moved along with it until then. */
function Names({ engine, seen, rects, strip, ready, bold, others, under, name, rem }: NamesProps) {
  const [placed, set] = useState<{ readonly at: Seen; readonly names: readonly PlacedName[] }>({ at: seen.value, names: [] });
  const row = rects.rows["boiler"];
  const s = seen.value;
  useEffect(() => {
    if (!strip || !row || rects.width === 0) return;
    const timer = setTimeout(() => {
      const list = [bold, ...others].map((l) => ({
        id: l.id,
        width: name(l.id).length * (l === bold ? 0.6 : 0.55) * rem,
        height: 1.4 * rem,
        points: pointsIn(thinned(l.curves[strip.channel] ?? []), { from: s.from - l.shift, to: s.to - l.shift }, rects.width, strip.y),
      }));
            const unnamed = under.map((l) => pointsIn(thinned(l.curves[strip.channel] ?? nothing), { from: s.from - l.shift, to: s.to - l.shift }, rects.width, strip.y));
      // What they are laid by and the limit are lines, too.
      const zero = placeOf(s, 0, rects.width);
      const limit = engine.marks["blow_down_max"];
      const ruled = [[zero, 0, zero, row.height], ...(limit === undefined ? [] : [[0, strip.y(limit), rects.width, strip.y(limit)]])];
      set({ at: s, names: placeNames(list, [...unnamed, ...ruled], rects.width, row.height) });
    }, restMs);
    return () => clearTimeout(timer);
  }, [s.from, s.to, strip, ready, bold, others, under, rects]);
  const same = Math.abs(placed.at.to - placed.at.from - (s.to - s.from)) < 1;
  const shift = same ? placeOf(s, placed.at.from, rects.width) : 0;
  if (!row || !same) return null;
  return (
    <div class="over-names" style={{ top: `${row.top}px`, height: `${row.height}px` }} aria-hidden="true">
      <div style={{ transform: `translateX(${shift}px)` }}>
        <svg width={rects.width} height={row.height}>
          {placed.names.map((n) => (
            <line key={n.id} class="over-leader" x1={n.tip[0]} y1={n.tip[1]} x2={n.root[0]} y2={n.root[1]} />
          ))}
        </svg>
        {placed.names.map((n) => (
          <span key={n.id} class={n.id === bold.id ? "over-curve-name over-curve-bold" : "over-curve-name"} style={{ left: `${n.x}px`, top: `${n.y}px` }}>
            {name(n.id)}
          </span>
        ))}
      </div>
    </div>
  );
}

function pointsIn(c: Curve, s: Seen, width: number, y: (v: number) => number): number[] {
  const out: number[] = [];
  for (const r of c) {
    for (let i = 0; i < r.t.length; i++) {
      const t = r.t[i] ?? 0;
      if ((r.t[i + 1] ?? t) < s.from || (r.t[i - 1] ?? t) > s.to) continue;
      out.push(placeOf(s, t, width), y(r.v[i] ?? NaN));
    }
    out.push(NaN, NaN);
  }
  return out;
}

/** The same by words, for whoever does not drag. */
export function Hands({ seen, bounds, howTo, children }: { seen: Signal<Seen>; bounds: Bounds; howTo: string; children?: ComponentChildren }) {
  const s = seen.value;
  const is = (c: Command): boolean => {
    const next = commanded(s, c, bounds);
    return Math.abs(next.from - s.from) < 1 && Math.abs(next.to - s.to) < 1;
  };
  return (
    <div class="hands" role="group" aria-label={words.handName}>
      {(Object.keys(words.hand) as Command[]).map((c) => (
        <button key={c} type="button" class="touch" disabled={is(c)} onClick={() => (seen.value = commanded(seen.value, c, bounds))}>
          <span>{words.hand[c]}</span>
        </button>
      ))}
      {children}
      <span class="hands-how">{howTo}</span>
    </div>
  );
}

interface ReadingProps {
  readonly read: Signal<number | null>;
  readonly all: readonly Laid[];
  readonly bold: Laid;
  readonly many: boolean;
  readonly strips: readonly Strip[];
  readonly name: (id: string) => string;
  readonly u: Units;
}

/** What stands at the line that reads the sheet. */
function Reading({ read, all, bold, many, strips, name, u }: ReadingProps) {
  const at = read.value;
  if (at === null) return <p class="over-reading over-reading-none">{words.readHint}</p>;
  const drawnStrips = strips.filter((s) => all.some((l) => (l.curves[s.channel]?.length ?? 0) > 0));
  const one = (l: Laid): string =>
    words.readOf(name(l.id), drawnStrips.map((s) => {
      const v = valueAt(finest(l.curves[s.channel] ?? nothing), at - l.shift);
      return Number.isFinite(v) ? `${figure(s.channel, v, u)} ${unitOf(s.channel, u)}` : `${s.what} ${words.noReading}`;
    }));
  const rest = all.filter((l) => l !== bold);
  const range = (): string =>
    words.readMiddle(rest.length, drawnStrips.map((s) => {
      const known = rest.map((l) => valueAt(finest(l.curves[s.channel] ?? nothing), at - l.shift)).filter(Number.isFinite);
      return known.length > 0 ? `${words.range(figure(s.channel, Math.min(...known), u), figure(s.channel, Math.max(...known), u))} ${unitOf(s.channel, u)}` : `${s.what} ${words.noReading}`;
    }));
  return (
    <p class="over-reading" aria-live="polite">
      <strong>{words.reading(words.min(words.counted(at, minute)))}</strong> {[one(bold), ...(many ? [range()] : rest.map(one))].join("; ")}.
    </p>
  );
}

