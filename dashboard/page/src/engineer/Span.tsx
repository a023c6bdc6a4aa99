/**
 * Curves over any span, from all the years to the second. What is seen is fetched in
 * buckets of its own width and kept; while finer ones come, wider ones are shown.
 */
import { useSignal, type Signal } from "@preact/signals";
import type { RefObject } from "preact";
import { useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { pressureScale, pressureTicks } from "../chart/scale.ts";
import { place } from "../frame/place.ts";
import { Refusal, series } from "../link/calls.ts";
import { Touch } from "../parts/Touch.tsx";
import { useWindow } from "../parts/size.ts";
import { ground, pressureUnit, temperatureUnit, type Units } from "../state/own.ts";
import * as shown from "../state/shown.ts";
import type { Engine, PastDisposal } from "../state/wire.ts";
import { clock, clockSeconds, dayClock, lasting, offset } from "../words/clock.ts";
import { engineerWords as all } from "../words/engineer.ts";
import * as write from "../words/units.ts";
import { useDisposals } from "./fetched.ts";
import { useHand } from "./hand.ts";
import { inks, penOf, shore, upright, type Inks } from "./ink.ts";
import { HandOn, Hands } from "./Hands.tsx";
import { addressOfPart, whereOf, type PartProps } from "./part.ts";
import { drawable, gapOf, gapsIn, pointsOf, runsOf, coarser, tileBuckets, tileKey, tileSpan, tilesOf, unheld, widthFor, type Point, type Tile, type TileId } from "./tiles.ts";
import { calendarTicks, placeOf, within, type Bounds, type CalendarTick, type Seen } from "./zoom.ts";

const words = all.span;
const second = 1_000;
const hour = 3_600_000;
const day = 24 * hour;
/** The shortest span seen: half a minute, thirty samples of a quick sensor. */
const least = 30 * second;
/** What has not ended is asked for again after this long. */
const grownMs = 15_000;
/** Calls under way at once: the live link needs its own. */
const atOnce = 3;
/** Tiles kept, the longest unused go first: some 60 MB would be too much, 600 are under 20. */
const mostTiles = 600;
/** The address follows what is seen after it rested for so long. */
const addressMs = 600;
/** How long a move must rest before the words follow it. */
const restMs = 120;

const presets = { minute: 60 * second, hour, day, month: 30 * day, year: 366 * day, all: Infinity } as const;
type Preset = keyof typeof presets;

export function Span({ engine }: PartProps) {
  const list = useDisposals(engine.id);
  const newest = shown.now.value;
  // The end stands for as long as the view is open, so that nothing moves by itself under a hand.
  const [end] = useState(() => newest ?? Date.now());
  const disposals = list.kind === "here" ? list.value : [];
  const oldest = disposals.length > 0 ? Math.min(...disposals.map((d) => Date.parse(d.begun))) : end - 30 * day;
  if (list.kind === "coming") return <p role="status">{all.fetchingEvenings}</p>;
  return <Drawing engine={engine} disposals={disposals} whole={{ from: oldest - day, to: end + hour }} end={end} />;
}

/** The span that the address names, else the newest evening's. */
function opening(rest: readonly string[], disposals: readonly PastDisposal[], bounds: Bounds): Seen {
  const [from, to] = [Date.parse(rest[0] ?? ""), Date.parse(rest[1] ?? "")];
  if (from < to) return within({ from, to }, bounds);
  const d = disposals[0];
  if (!d) return within(bounds.whole, bounds);
  return evening(d, bounds);
}

const evening = (d: PastDisposal, b: Bounds): Seen => {
  const from = Date.parse(d.begun);
  const to = d.ended === undefined ? from + 12 * hour : Date.parse(d.ended);
  return within({ from: from - hour / 2, to: to + hour / 2 }, b);
};

/** The channels drawn where nobody chose: pressure, one of the shell, firebox. */
const usual = (engine: Engine): string[] => {
  const shell = engine.measured.find((c) => c === "boiler.shell.top") ?? engine.measured.find((c) => c.startsWith("boiler.shell."));
  return ["boiler.pressure", shell, "firebox"].filter((c): c is string => c !== undefined && engine.measured.includes(c));
};

interface DrawingProps {
  readonly engine: Engine;
  readonly disposals: readonly PastDisposal[];
  readonly whole: Seen;
  readonly end: number;
}

function Drawing({ engine, disposals, whole, end }: DrawingProps) {
  const zone = shown.zone.value;
  const u: Units = { pressure: pressureUnit.value, temperature: temperatureUnit.value };
  const bounds: Bounds = useMemo(() => ({ whole, least }), [whole.from, whole.to]);
  const rest = whereOf(place.value.path).rest;
  const first = useMemo(() => opening(rest, disposals, bounds), []);
  const seen = useSignal<Seen>(first);
  // Words and figures follow once a move rests; only the curves follow at once.
  const rested = useSignal<Seen>(first);
  const read = useSignal<number | null>(null);
  const [channels, setChannels] = useState<readonly string[]>(() => usual(engine));
  const [more, setMore] = useState(false);
  const plot = useRef<HTMLDivElement>(null);
  const sheet = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const rects = usePlaces(sheet, plot, channels);
  const { rem } = useWindow();
  useHand(plot, { seen, bounds, wheels: true, reads: (t) => (read.value = t) });
  const store = useTiles(engine.id, channels, seen, rects.width, end);
  const fresh = (c: string): number => (c === "boiler.pressure" ? 15_000 : c.startsWith("tank") ? 120_000 : c.startsWith("ambient") ? 900_000 : 60_000);

  const due = useRef(0);
  const draw = useRef<() => void>(() => {});
  draw.current = () => {
    const c = canvas.current;
    if (!c || rects.width === 0) return;
    paint(c, { rects, channels, seen: seen.value, rested: rested.value, read: read.value, engine, store, fresh, zone, rem, disposals });
  };
  const soon = (): void => {
    if (due.current === 0)
      due.current = requestAnimationFrame(() => {
        due.current = 0;
        draw.current();
      });
  };
  useLayoutEffect(soon, [rects, channels, store.turn, ground.value, disposals]);
  useEffect(() => {
    let rest: ReturnType<typeof setTimeout> | undefined;
    const follow = (): void => {
      soon();
      clearTimeout(rest);
      rest = setTimeout(() => (rested.value = seen.peek()), restMs);
    };
    const stops = [seen.subscribe(follow), read.subscribe(soon), rested.subscribe(soon)];
    return () => {
      stops.forEach((s) => s());
      clearTimeout(rest);
      cancelAnimationFrame(due.current);
      due.current = 0;
    };
  }, []);
  // The address tells what is seen, so that it can be kept and sent; it makes no steps for "back".
  const s = rested.value;
  useEffect(() => {
    const timer = setTimeout(() => {
      const address = addressOfPart(engine.id, "curves", new Date(s.from).toISOString(), new Date(s.to).toISOString());
      if (location.hash !== address && whereOf(place.value.path).part === "curves") history.replaceState(history.state, "", address);
    }, addressMs);
    return () => clearTimeout(timer);
  }, [s.from, s.to]);

  const width = widthFor(s, rects.width);
  const tell = (c: string): string => words.channelName[c] ?? c;
  const preset = (p: Preset): void => {
    const now = seen.peek();
    const at = read.peek() ?? (now.from + now.to) / 2;
    seen.value = p === "all" ? within(whole, bounds) : within({ from: at - presets[p] / 2, to: at + presets[p] / 2 }, bounds);
  };
  const newest = disposals[0];
  return (
    <>
      <h1 class="years-title">{words.title(engine.name, spoken(s, zone))}</h1>
      <div class="years-choose">
        <div class="choice" role="group" aria-label={words.show}>
          <span class="choice-name">{words.show}</span>
          {(Object.keys(words.presets) as Preset[]).map((p) => (
            <Touch key={p} onTouch={() => preset(p)}>
              {words.presets[p]}
            </Touch>
          ))}
          {newest && <Touch onTouch={() => (seen.value = evening(newest, bounds))}>{words.newest}</Touch>}
        </div>
        <div class="choice" role="group" aria-label={words.channels}>
          <span class="choice-name">{words.channels}</span>
          {engine.measured
            .filter((c) => more || channels.includes(c))
            .map((c) => (
              <Touch key={c} pressed={channels.includes(c)} onTouch={() => setChannels(channels.includes(c) ? channels.filter((x) => x !== c) : engine.measured.filter((x) => channels.includes(x) || x === c))}>
                {tell(c)}
              </Touch>
            ))}
          <Touch expanded={more} onTouch={() => setMore(!more)}>
            {more ? words.fewer : words.more}
          </Touch>
        </div>
      </div>
      {store.trouble && (
        <p class="years-note" role="alert">
          {store.trouble} <Touch onTouch={store.again}>{all.again}</Touch>
        </p>
      )}
      {channels.length === 0 && <p class="years-note">{words.choose}</p>}
      <section class="over">
        <div class="over-sheet span-sheet" ref={sheet}>
          <div class="over-row over-scale">
            <div class="over-name over-min">{words.evening}</div>
            <div class="over-plot" aria-hidden="true" data-row="scale">
              <Calendar seen={seen} width={rects.width} rem={rem} zone={zone} />
            </div>
          </div>
          {channels.map((c) => (
            <div key={c} class={`over-row over-strip ${c === "boiler.pressure" ? "over-boiler" : "over-shell"}`}>
              <div class="over-name">
                <span class="strip-title">{tell(c)}</span>
                <span class="note">{unitOf(c, u)}</span>
              </div>
              <div class="over-plot" aria-hidden="true">
                <div class="over-area" data-row={c}>
                  <Axis channel={c} engine={engine} height={rects.rows[c]?.height ?? 0} range={rangeOf(c, store, s, width, rects.width)} u={u} rem={rem} />
                </div>
              </div>
            </div>
          ))}
          <div class="over-ground">
            <HandOn of={plot} seen={seen} told={(at) => all.sheetName(dayClock(at.from, zone), dayClock(at.to, zone))} coming={store.coming}>
              <canvas ref={canvas} aria-hidden="true" />
            </HandOn>
          </div>
        </div>
        <div class="over-foot">
          <Hands seen={seen} bounds={bounds} howTo={all.howToSpan} />
          <Read read={read} channels={channels} store={store} seen={s} width={width} px={rects.width} zone={zone} u={u} fresh={fresh} />
          <Figures channels={channels} store={store} seen={s} width={width} px={rects.width} zone={zone} u={u} fresh={fresh} end={end} />
        </div>
      </section>
    </>
  );
}

/** "24 October 2026, 16:00 to 18:30" in as few words as tell it. */
function spoken(s: Seen, zone: string): string {
  const f = (o: Intl.DateTimeFormatOptions): ((t: number) => string) => {
    try {
      return (t) => new Intl.DateTimeFormat("en-GB", { ...o, timeZone: zone }).format(t);
    } catch {
      return (t) => new Intl.DateTimeFormat("en-GB", { ...o, timeZone: "UTC" }).format(t);
    }
  };
  const full = f({ day: "numeric", month: "long", year: "numeric" });
  const time = s.to - s.from < 600 * second ? clockSeconds : clock;
  if (full(s.from) === full(s.to)) return `${full(s.from)}, ${all.range(time(s.from, zone), time(s.to, zone))}`;
  if (s.to - s.from < 3 * day) return all.range(`${full(s.from)}, ${clock(s.from, zone)}`, `${full(s.to)}, ${clock(s.to, zone)}`);
  return all.range(full(s.from), full(s.to));
}

const isPressure = (c: string): boolean => c === "boiler.pressure";
const isTemperature = (c: string): boolean => c.startsWith("boiler.shell.") || ["firebox", "smokebox", "blowdown.pipe", "ambient.temperature"].includes(c) || c.startsWith("axlebox.");

function unitOf(c: string, u: Units): string {
  if (isPressure(c)) return write.pressureName(u);
  if (isTemperature(c)) return write.temperatureName(u);
  if (c === "ambient.pressure") return "hPa";
  if (c.endsWith("humidity")) return "%";
  if (c === "ambient.co") return "ppm";
  return c.endsWith("level") ? "%" : "";
}

function figure(c: string, v: number, u: Units): string {
  if (isPressure(c)) return write.pressure(v, u);
  if (isTemperature(c)) return write.temperature(v, u, 1);
  if (c === "ambient.pressure") return (v / 100).toFixed(1);
  if (c === "ambient.co") return (v * 1e6).toFixed(0);
  if (c.endsWith("level")) return (v * 100).toFixed(0);
  return Number(v.toPrecision(4)).toString();
}

interface Places {
  readonly width: number;
  readonly height: number;
  readonly rows: Readonly<Record<string, { readonly top: number; readonly height: number }>>;
}

function usePlaces(sheet: RefObject<HTMLElement>, plot: RefObject<HTMLElement>, channels: readonly string[]): Places {
  const [places, set] = useState<Places>({ width: 0, height: 0, rows: {} });
  useLayoutEffect(() => {
    const [s, p] = [sheet.current, plot.current];
    if (!s || !p) return;
    const take = (): void => {
      const o = p.getBoundingClientRect();
      const rows: Record<string, { top: number; height: number }> = {};
      for (const e of s.querySelectorAll<HTMLElement>("[data-row]")) {
        const r = e.getBoundingClientRect();
        rows[e.dataset["row"] ?? ""] = { top: Math.round(r.top - o.top), height: Math.round(r.height) };
      }
      const now: Places = { width: Math.round(o.width), height: Math.round(o.height), rows };
      set((old) => (JSON.stringify(old) === JSON.stringify(now) ? old : now));
    };
    take();
    const watch = new ResizeObserver(take);
    watch.observe(s);
    return () => watch.disconnect();
  }, [channels]);
  return places;
}

interface Store {
  readonly tile: (channel: string, id: TileId) => Tile | undefined;
  /** Another number whenever a tile came. */
  readonly turn: number;
  /** How many calls are still to come for what is seen. */
  readonly coming: number;
  readonly trouble: string;
  readonly again: () => void;
}

const held = new Map<string, Tile>();

/** Keeps the tiles of what is seen coming, nearest the middle first; what is no longer wanted is not asked for. */
function useTiles(engine: string, channels: readonly string[], seen: Signal<Seen>, px: number, end: number): Store {
  const [turn, setTurn] = useState(0);
  const [coming, setComing] = useState(0);
  const [trouble, setTrouble] = useState("");
  const [retry, setRetry] = useState(0);
  const open = useRef(new Set<string>());
  const key = (channel: string, id: TileId): string => `${engine} ${tileKey(channel, id)}`;
  const wanted = useRef<() => { channel: string; id: TileId }[]>(() => []);
  wanted.current = () => {
    if (px === 0) return [];
    const s = seen.value;
    const middle = (s.from + s.to) / 2;
    const width = widthFor(s, px);
    const far = (id: TileId): number => Math.abs((tileSpan(id).from + tileSpan(id).to) / 2 - middle);
    const own = tilesOf(s, width).sort((a, b) => far(a) - far(b)).flatMap((id) => channels.map((channel) => ({ channel, id })));
    // Where nothing at all is held, one wide tile comes first, so that the whole is soon there.
    const wide = coarser(width);
    const first = wide === width ? [] : channels.filter((c) => unheld(s, width, (id) => held.get(key(c, id))).length > 0).flatMap((channel) => tilesOf(s, wide).map((id) => ({ channel, id })));
    return [...first, ...own]
      .filter(({ id }) => tileSpan(id).from < end + hour)
      .filter(({ channel, id }) => {
        const t = held.get(key(channel, id));
        return !t || (tileSpan(id).to > t.asked && performance.now() - t.at > grownMs);
      });
  };
  const pump = useRef<() => void>(() => {});
  const left = useRef(false);
  pump.current = () => {
    const list = wanted.current().filter((w) => !open.current.has(key(w.channel, w.id)));
    setComing(list.length + open.current.size);
    while (open.current.size < atOnce) {
      const w = list.shift();
      if (!w) return;
      const k = key(w.channel, w.id);
      open.current.add(k);
      const span = tileSpan(w.id);
      series(engine, w.channel, span.from, span.to, tileBuckets).then(
        (got) => {
          held.delete(k);
          held.set(k, { ...w.id, buckets: got.buckets, asked: end, at: performance.now(), points: pointsOf(got.buckets) });
          for (const old of held.keys()) {
            if (held.size <= mostTiles) break;
            held.delete(old);
          }
          open.current.delete(k);
          if (left.current) return;
          setTrouble("");
          setTurn((n) => n + 1);
          pump.current();
        },
        (err: unknown) => {
          open.current.delete(k);
          if (left.current) return;
          setTrouble(err instanceof Refusal ? err.message : String(err));
          setComing(0);
        },
      );
    }
  };
  useEffect(() => {
    left.current = false;
    let due: ReturnType<typeof setTimeout> | undefined;
    // While a hand moves, what is passed over is not asked for.
    const soon = (): void => {
      clearTimeout(due);
      due = setTimeout(() => pump.current(), 60);
    };
    const stop = seen.subscribe(soon);
    pump.current();
    return () => {
      left.current = true;
      stop();
      clearTimeout(due);
    };
  }, [engine, channels, px, retry]);
  return { tile: (c, id) => held.get(key(c, id)), turn, coming, trouble, again: () => setRetry((n) => n + 1) };
}

/** The unbroken stretches of a channel that can be drawn now. */
function runsIn(store: Store, channel: string, seen: Seen, width: number, freshMs: number): Point[][] {
  const out: Point[][] = [];
  let points: (Point | null)[] = [];
  let at = 0;
  const cut = (): void => {
    if (points.length > 0) out.push(...runsOf(points, gapOf(at, freshMs)));
    points = [];
  };
  // A point beyond each edge, so that the line comes in from outside.
  const [from, to] = [seen.from - 2 * width, seen.to + 2 * width];
  for (const d of drawable(seen, width, (id) => store.tile(channel, id))) {
    if (d.tile.width !== at) cut();
    at = d.tile.width;
    for (const p of d.tile.points) if (p === null || (p.t >= Math.max(from, d.from) && p.t < Math.min(to, d.to))) points.push(p);
  }
  cut();
  return out;
}

interface Picture {
  readonly rects: Places;
  readonly channels: readonly string[];
  readonly seen: Seen;
  /** What was seen when it last rested: by it a strip's scale is set, so that it does not breathe under a hand. */
  readonly rested: Seen;
  readonly read: number | null;
  readonly engine: Engine;
  readonly store: Store;
  readonly fresh: (c: string) => number;
  readonly zone: string;
  readonly rem: number;
  readonly disposals: readonly PastDisposal[];
}

function paint(canvas: HTMLCanvasElement, p: Picture): void {
  const { rects, seen, channels } = p;
  const { width: px, height } = rects;
  const ctx = penOf(canvas, px, height);
  if (!ctx) return;
  const ink = inks();
  const scale = rects.rows["scale"];
  if (scale) evenings(ctx, p.disposals, seen, px, scale.top + scale.height, ink);
  const ticks = calendarTicks(seen, px, 9, (t) => offset(t, p.zone));
  const bucket = widthFor(seen, px);
  for (const c of channels) {
    const row = rects.rows[c];
    if (!row) continue;
    for (const t of ticks) upright(ctx, placeOf(seen, t.t, px), row.top, row.top + row.height, heavier(t, ticks) === 2 ? ink.hour : heavier(t, ticks) === 1 ? ink.half : ink.ten, 1);
    ctx.save();
    ctx.beginPath();
    ctx.rect(0, row.top, px, row.height);
    ctx.clip();
    const y = yOf(c, p.engine, row.height, rangeOf(c, p.store, p.rested, widthFor(p.rested, px), px));
    const band = p.engine.marks["zero_band"];
    if (isPressure(c) && band !== undefined) {
      ctx.fillStyle = ink.fan;
      ctx.fillRect(0, row.top + y(band), px, Math.max(2, y(-band) - y(band)));
    }
    const limit = isPressure(c) ? p.engine.marks["blow_down_max"] : c.startsWith("boiler.shell.") ? p.engine.marks["boiling_c"] : c === "firebox" ? p.engine.marks["house_firebox_c"] : undefined;
    if (limit !== undefined) shore(ctx, row.top + y(limit), px, ink.ink2);
    ctx.strokeStyle = ink.ink;
    ctx.fillStyle = ink.ink;
    for (const run of runsIn(p.store, c, seen, bucket, p.fresh(c))) stroke(ctx, run, seen, px, row.top, y, isPressure(c) ? 2.6 : 2);
    // What is not known yet is no gap, and looks like none.
    ctx.fillStyle = ink.ink2;
    ctx.font = `600 ${Math.round(p.rem * 1.06)}px "Barlow Semi Condensed", sans-serif`;
    ctx.textAlign = "center";
    for (const g of unheld(seen, bucket, (id) => p.store.tile(c, id))) {
      const [a, b] = [placeOf(seen, g.from, px), placeOf(seen, g.to, px)];
      if (b - a > 5 * p.rem) ctx.fillText(words.fetching, (a + b) / 2, row.top + row.height / 2);
    }
    ctx.restore();
    if (p.read !== null) upright(ctx, placeOf(seen, p.read, px), row.top, row.top + row.height, ink.ink, 1);
  }
}

/** One stretch: lowest to highest as an area, the mean as a line. */
function stroke(ctx: CanvasRenderingContext2D, run: readonly Point[], seen: Seen, px: number, top: number, y: (v: number) => number, weight: number): void {
  const x = (t: number): number => placeOf(seen, t, px);
  const first = run[0];
  if (!first) return;
  ctx.lineWidth = weight;
  ctx.beginPath();
  ctx.moveTo(x(first.t) - (run.length === 1 ? 1 : 0), top + y(first.v));
  for (const p of run) ctx.lineTo(x(p.t) + (run.length === 1 ? 1 : 0), top + y(p.v));
  ctx.stroke();
  if (!run.some((p) => Math.abs(y(p.hi) - y(p.lo)) > weight)) return;
  ctx.globalAlpha = 0.32;
  ctx.beginPath();
  ctx.moveTo(x(first.t), top + y(first.hi));
  for (const p of run) ctx.lineTo(x(p.t), top + y(p.hi));
  for (let i = run.length - 1; i >= 0; i--) {
    const p = run[i];
    if (p) ctx.lineTo(x(p.t), top + y(p.lo));
  }
  ctx.closePath();
  ctx.fill();
  ctx.globalAlpha = 1;
}

/** Evenings as bars on the scale's rule, so that they are found from far away. */
function evenings(ctx: CanvasRenderingContext2D, disposals: readonly PastDisposal[], seen: Seen, px: number, bottom: number, ink: Inks): void {
  ctx.fillStyle = ink.ink;
  for (const d of disposals) {
    const from = Date.parse(d.begun);
    const to = d.ended === undefined ? from + hour : Date.parse(d.ended);
    if (to < seen.from || from > seen.to) continue;
    const x = placeOf(seen, from, px);
    ctx.fillRect(x, bottom - 7, Math.max(2, placeOf(seen, to, px) - x), 6);
  }
}

const order = ["second", "minute", "hour", "day", "month", "year"] as const;
/** How heavy a tick is beside its neighbours: 2 where a larger unit begins. */
function heavier(t: CalendarTick, ticks: readonly CalendarTick[]): 0 | 1 | 2 {
  const lowest = Math.min(...ticks.slice(0, 12).map((x) => order.indexOf(x.unit)));
  const by = order.indexOf(t.unit) - lowest;
  return by >= 2 ? 2 : by === 1 ? 1 : 0;
}

interface Range {
  readonly lo: number;
  readonly hi: number;
}

/** What a strip must hold: fixed where shapes are to be learnt, else what is seen. */
function rangeOf(c: string, store: Store, seen: Seen, width: number, px: number): Range {
  if (px === 0 || isPressure(c)) return { lo: 0, hi: 1 };
  if (c.startsWith("boiler.shell.")) return { lo: -10, hi: 190 };
  if (c === "firebox" || c === "smokebox") return { lo: -10, hi: c === "firebox" ? 950 : 450 };
  if (c.endsWith("level")) return { lo: 0, hi: 1 };
  if (c.endsWith("humidity")) return { lo: 0, hi: 100 };
  let [lo, hi] = [Infinity, -Infinity];
  for (const d of drawable(seen, width, (id) => store.tile(c, id)))
    for (const p of d.tile.points) {
      if (!p) continue;
      lo = Math.min(lo, p.lo);
      hi = Math.max(hi, p.hi);
    }
  if (!(hi > lo)) return Number.isFinite(lo) ? { lo: lo - 1, hi: lo + 1 } : { lo: 0, hi: 1 };
  const slack = (hi - lo) * 0.08;
  return { lo: lo - slack, hi: hi + slack };
}

function yOf(c: string, engine: Engine, height: number, r: Range): (v: number) => number {
  if (isPressure(c)) return pressureScale(engine.working_pressure, height);
  return (v) => height - 4 - ((v - r.lo) / (r.hi - r.lo)) * (height - 8);
}

function Axis({ channel: c, engine, height, range, u, rem }: { channel: string; engine: Engine; height: number; range: Range; u: Units; rem: number }) {
  const y = yOf(c, engine, height, range);
  const step = niceStep((range.hi - range.lo) / Math.max(1, height / (1.6 * rem)));
  const values: number[] = [];
  for (let v = Math.ceil(range.lo / step) * step; v <= range.hi && values.length < 12; v += step) values.push(v);
  const ticks = isPressure(c) ? pressureTicks(engine.working_pressure, height, 1.25 * rem, u) : values.map((v) => ({ y: y(v), label: figure(c, v, u).replace(/\.0$/, ""), heavy: false }));
  return (
    <div class="over-axes">
      {ticks
        .filter((t) => t.y > 7 && t.y < height - 8)
        .map((t) => (
          <span key={t.label} class={t.heavy ? "axis axis-heavy" : "axis"} style={{ top: `${t.y}px` }}>
            {t.label}
          </span>
        ))}
    </div>
  );
}

function niceStep(raw: number): number {
  if (!(raw > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  return ([1, 2, 5, 10].find((m) => m * power >= raw) ?? 10) * power;
}

function Calendar({ seen, width, rem, zone }: { seen: Signal<Seen>; width: number; rem: number; zone: string }) {
  const s = seen.value;
  const ticks = calendarTicks(s, width, 5.4 * rem, (t) => offset(t, zone));
  return (
    <>
      {ticks
        .map((t) => ({ t, x: placeOf(s, t.t, width) }))
        .filter(({ x }) => x > 2 * rem && x < width - 2 * rem)
        .map(({ t, x }) => (
          <span key={t.t} class={heavier(t, ticks) > 0 ? "time time-hour" : "time"} style={{ left: `${x}px` }}>
            {tickName(t, zone)}
          </span>
        ))}
    </>
  );
}

const formats = new Map<string, Intl.DateTimeFormat>();
function dated(t: number, zone: string, name: "day" | "month" | "year"): string {
  const key = `${zone} ${name}`;
  let f = formats.get(key);
  if (!f) {
    const o: Intl.DateTimeFormatOptions = name === "day" ? { day: "numeric", month: "short" } : name === "month" ? { month: "short", year: "numeric" } : { year: "numeric" };
    try {
      f = new Intl.DateTimeFormat("en-GB", { ...o, timeZone: zone });
    } catch {
      f = new Intl.DateTimeFormat("en-GB", { ...o, timeZone: "UTC" });
    }
    formats.set(key, f);
  }
  return f.format(t);
}

function tickName(t: CalendarTick, zone: string): string {
  switch (t.unit) {
    case "second":
      return clockSeconds(t.t, zone);
    case "minute":
    case "hour":
      return clock(t.t, zone);
    case "day":
    case "month":
    case "year":
      return dated(t.t, zone, t.unit);
    default:
      return t.unit satisfies never;
  }
}

interface FiguresProps {
  readonly channels: readonly string[];
  readonly store: Store;
  readonly seen: Seen;
  readonly width: number;
  readonly px: number;
  readonly zone: string;
  readonly u: Units;
  readonly fresh: (c: string) => number;
}

const nameOf = (c: string): string => words.channelName[c] ?? c;

/** The figures at the line that reads the sheet. */
function Read({ read, channels, store, seen, width, px, zone, u, fresh }: FiguresProps & { readonly read: Signal<number | null> }) {
  const at = read.value;
  if (at === null || px === 0) return <p class="over-reading over-reading-none">{all.readHint}</p>;
  const told = channels.map((c) => {
    let near: Point | null = null;
    for (const run of runsIn(store, c, seen, width, fresh(c))) for (const p of run) if (near === null || Math.abs(p.t - at) < Math.abs(near.t - at)) near = p;
    return near !== null && Math.abs(near.t - at) <= gapOf(width, fresh(c)) ? `${nameOf(c)} ${figure(c, near.v, u)} ${unitOf(c, u)}` : `${nameOf(c)} ${words.none}`;
  });
  return (
    <p class="over-reading" aria-live="polite">
      <strong>{words.at(seen.to - seen.from < 2 * day ? `${dayClock(at, zone)}:${clockSeconds(at, zone).slice(-2)}` : dayClock(at, zone))}</strong> {told.join("; ")}.
    </p>
  );
}

/** What is seen, in words: for whoever does not see the curves, and for the figures themselves. */
function Figures({ channels, store, seen, width, px, zone, u, fresh, end }: FiguresProps & { readonly end: number }) {
  const lines = useMemo(
    () =>
      px === 0
        ? []
        : channels.map((c) => {
            const runs = runsIn(store, c, seen, width, fresh(c)).map((r) => r.filter((p) => p.t >= seen.from && p.t <= seen.to)).filter((r) => r.length > 0);
            const points = runs.flat();
            if (points.length === 0) return unheld(seen, width, (id) => store.tile(c, id)).length > 0 ? words.notYet(nameOf(c)) : words.nothing(nameOf(c));
            const [lo, hi] = [Math.min(...points.map((p) => p.lo)), Math.max(...points.map((p) => p.hi))];
            const mean = points.reduce((n, p) => n + p.v, 0) / points.length;
            // Nothing is called a gap that has not been asked for.
            const missing = unheld(seen, width, (id) => store.tile(c, id));
            const gaps = gapsIn(runs, seen, gapOf(width, fresh(c)), end).filter((g) => missing.every((m) => m.to <= g.from || m.from >= g.to));
            const longest = gaps.reduce<Seen | null>((a, g) => (a === null || g.to - g.from > a.to - a.from ? g : a), null);
            return [
              words.ofChannel(nameOf(c), figure(c, lo, u), figure(c, hi, u), figure(c, mean, u), unitOf(c, u)),
              longest ? words.gaps(gaps.length, lasting((longest.to - longest.from) / 1000), dayClock(longest.from, zone)) : "",
            ].join(" ");
          }),
    [channels, store.turn, seen.from, seen.to, width, px, u.pressure, u.temperature],
  );
  return (
    <div class="span-figures">
      <h2>{words.figures}</h2>
      {lines.map((l) => (
        <p key={l}>{l}</p>
      ))}
      <p class="over-shaded">
        {words.bucket(lasting(width / 1000))} {store.coming > 0 ? words.finer : ""}
      </p>
    </div>
  );
}
