/**
 * The sheets of several evenings on top of each other, each laid by a moment of its
 * own. They differ by the weight of their line and a name on a leader, never by
 * colour; of many, the chosen one is bold, the others thin, and all of them a band.
 */
import { useSignal, type Signal } from "@preact/signals";
import type { ComponentChildren, RefObject } from "preact";
import { useCallback, useEffect, useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { useWindow } from "../parts/size.ts";
import { soon as afterThose } from "../parts/stages.ts";
import { ground, pressureUnit, temperatureUnit, type Units } from "../state/own.ts";
import type { Engine } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import { fetchFiner, finest } from "./curves.ts";
import { useHand } from "./hand.ts";
import { HandOn, Hands } from "./Hands.tsx";
import { alignedMark, marks, valueAt, type Align, type Laid } from "./lay.ts";
import { Names } from "./OverNames.tsx";
import { manyColumns, OverTable } from "./OverTable.tsx";
import { bandPath, makePaths, paint, sliceMs } from "./paint.ts";
import { compare, endsOf, extent, noCurve, opening, spanOf, stepsOf, stripsOf, type Compared, type Rects, type Strip } from "./strips.ts";
import { few, figure, minutesOf, unitOf } from "./told.ts";
import type { Bounds, Seen } from "./zoom.ts";

const minute = 60_000;
/** The shortest span that the curves of an evening are dense enough for. */
const least = 4 * minute;
/** Where less of an evening is seen than this share, its finer curves are fetched. */
const closerShare = 0.4;

export interface OverlayProps {
  readonly engine: Engine;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  readonly by: Align;
  readonly names: ReadonlyMap<string, string>;
  /** Whether curves of some are still on their way: what they have in common is not known before. */
  readonly coming: boolean;
  /** Called each time that the curves of all of them have been drawn. */
  readonly onDrawn: () => void;
  /** Stands beside the words that come closer. */
  readonly children?: ComponentChildren;
}

export function Overlay({ engine, bold, others, by, names, coming, onDrawn, children }: OverlayProps) {
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
    if ((old.of !== of || same(seen.value, old.first)) && !same(seen.value, first)) seen.value = first;
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
  const under = useSame(others.map((l) => l.disposal));
  const lanes = useMemo(() => marks.filter((m) => m !== "blow_down_finished" && m !== alignedMark[by] && [bold.disposal, ...under].some((d) => minutesOf(d, m, by) !== null)), [bold.disposal, under, by]);
  const ready = useReady(strips, all, whole, rects, coming);
  const done = ready.of === all && ready.count === all.length;
  const compared = useMemo(() => (done && !coming ? strips.map((s) => compare(s, bold, others, whole, many)) : noneCompared), [done, coming, strips, bold, others, whole, many]);
  const bands = useMemo(() => strips.map((s, i) => bandPath(compared[i]?.band ?? null, s)), [strips, compared]);
  useEffect(() => {
    if (!done) return;
    let stop = (): void => {};
    const frame = requestAnimationFrame(() => (stop = afterThose(onDrawn)));
    return () => {
      cancelAnimationFrame(frame);
      stop();
    };
  }, [done, onDrawn]);

  // Drawn in the frame after whatever changed, once.
  const due = useRef(0);
  const draw = useRef<() => void>(() => {});
  draw.current = () => {
    const c = canvas.current;
    if (!c || ready.of === none) return;
    const whole = paint(c, { rects, strips, ready: ready.count, bands, seen: seen.value, read: read.value, bold, others, many, ends, engine, by, lanes });
    if (!whole) soon();
  };
  const soon = (): void => {
    if (due.current === 0)
      due.current = requestAnimationFrame(() => {
        due.current = 0;
        draw.current();
      });
  };
  // Other evenings are painted once their paths are made, not before.
  useLayoutEffect(soon, [ready, ground.value]);
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
    // What stands already is painted once its paths are made.
    let stands = false;
    const moved = (): void => {
      if (stands) soon();
    };
    const stops = [seen.subscribe(moved), read.subscribe(moved)];
    stands = true;
    return () => {
      stops.forEach((s) => s());
      cancelAnimationFrame(due.current);
      due.current = 0;
    };
  }, []);

  const name = useCallback((id: string): string => names.get(id) ?? id, [names]);
  // The same while curves come and are made ready: a browser need not look through it then.
  const table = useMemo(
    () => <OverTable {...{ engine, bold: bold.disposal, others: under, many, by, name, strips, lanes, compared, rects, seen, u, rem }} />,
    [engine, bold.disposal, under, many, by, name, strips, lanes, compared, rects, u.pressure, u.temperature, rem],
  );
  return (
    <section class="over" aria-label={words.tableName(words.after[by])}>
      <div class="over-sheet" ref={sheet} style={{ "--columns": many ? manyColumns : all.length }}>
        {table}
        <div class="over-ground">
          <HandOn of={plot} seen={seen} told={sheetName} drawn={ready.of === all ? all.slice(0, ready.count).filter((l) => strips.every((s) => l.curves[s.channel])).length : 0}>
            <canvas ref={canvas} aria-hidden="true" />
            <Names engine={engine} seen={seen} rects={rects} strip={strips[0]} ready={ready} bold={bold} others={named} under={many ? others : none} name={name} rem={rem} />
          </HandOn>
        </div>
      </div>
      <div class="over-foot">
        <Hands seen={seen} bounds={bounds} howTo={words.howTo}>
          {children}
        </Hands>
        <Reading read={read} coming={coming} all={all} bold={bold} many={many} strips={strips} name={name} u={u} />
        <p class="over-shaded">{shadedOf(others, many, name, bold)}</p>
      </div>
    </section>
  );
}

const same = (a: Seen, b: Seen): boolean => a.from === b.from && a.to === b.to;

const sheetName = (s: Seen): string => {
  const step = s.to - s.from < 20 * minute ? 1000 : minute;
  return words.sheetName(words.min(words.counted(s.from, step)), words.min(words.counted(s.to, step)));
};

function shadedOf(others: readonly Laid[], many: boolean, name: (id: string) => string, bold: Laid): string {
  const one = others[0];
  if (!one) return "";
  return many ? words.shadedAll(others.length) : words.shaded(name(bold.id), name(one.id));
}

/** What has come so far is drawn at most this often: each time all of it is. */
const shownMs = 250;

/** Of which evenings the paths are made, and of how many of them, the bold one first. */
interface Ready {
  readonly of: readonly Laid[];
  readonly count: number;
}

/**
 * Makes in slices, an evening at a time, what drawing and comparing them takes, so that no
 * task is long; while more is coming, what is here is told now and then.
 */
function useReady(strips: readonly Strip[], all: readonly Laid[], whole: Seen, rects: Rects, coming: boolean): Ready {
  const [ready, set] = useState<Ready>({ of: none, count: 0 });
  const told = useRef(performance.now());
  useLayoutEffect(() => {
    if (rects.width === 0) return;
    const begun = performance.now();
    let next = 0;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const tell = (): void => {
      set({ of: all, count: next });
      told.current = performance.now();
    };
    const some = (): void => {
      const until = performance.now() + sliceMs;
      while (next < all.length && performance.now() < until) {
        const l = all[next++];
        for (const s of strips) {
          const c = l?.curves[s.channel];
          if (!l || !c) continue;
          makePaths(c, s);
          stepsOf(l, s.channel, whole);
        }
      }
      const now = performance.now();
      if (next === all.length && coming) timer = setTimeout(tell, Math.max(0, told.current + shownMs - now));
      else if (next === all.length || now - Math.max(begun, told.current) > shownMs) tell();
      if (next < all.length) stop = afterThose(some);
    };
    let stop = afterThose(some);
    return () => {
      stop();
      clearTimeout(timer);
    };
  }, [strips, all, whole, rects, coming]);
  return ready;
}

const none: readonly Laid[] = [];
const noneCompared: readonly Compared[] = [];

/** The list as it was, while it has the same in it. */
function useSame<T>(now: readonly T[]): readonly T[] {
  const old = useRef(now);
  if (now.length !== old.current.length || now.some((x, i) => x !== old.current[i])) old.current = now;
  return old.current;
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

interface ReadingProps {
  readonly read: Signal<number | null>;
  readonly coming: boolean;
  readonly all: readonly Laid[];
  readonly bold: Laid;
  readonly many: boolean;
  readonly strips: readonly Strip[];
  readonly name: (id: string) => string;
  readonly u: Units;
}

/** What stands at the line that reads the sheet. */
function Reading({ read, coming, all, bold, many, strips, name, u }: ReadingProps) {
  const at = read.value;
  // What has not come yet is no missing reading.
  if (coming || at === null) return <p class="over-reading over-reading-none">{coming ? words.fetching : words.readHint}</p>;
  const drawnStrips = strips.filter((s) => all.some((l) => (l.curves[s.channel]?.length ?? 0) > 0));
  const one = (l: Laid): string =>
    words.readOf(name(l.id), drawnStrips.map((s) => {
      const v = valueAt(finest(l.curves[s.channel] ?? noCurve), at - l.shift);
      return Number.isFinite(v) ? `${figure(s.channel, v, u)} ${unitOf(s.channel, u)}` : `${s.what} ${words.noReading}`;
    }));
  const rest = all.filter((l) => l !== bold);
  const range = (): string =>
    words.readMiddle(rest.length, drawnStrips.map((s) => {
      const known = rest.map((l) => valueAt(finest(l.curves[s.channel] ?? noCurve), at - l.shift)).filter(Number.isFinite);
      return known.length > 0 ? `${words.range(figure(s.channel, Math.min(...known), u), figure(s.channel, Math.max(...known), u))} ${unitOf(s.channel, u)}` : `${s.what} ${words.noReading}`;
    }));
  return (
    <p class="over-reading" aria-live="polite">
      <strong>{words.reading(words.min(words.counted(at, minute)))}</strong> {[one(bold), ...(many ? [range()] : rest.map(one))].join("; ")}.
    </p>
  );
}

