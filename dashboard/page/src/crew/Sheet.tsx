/**
 * The sheet: strips and lanes that share one scale of time, cut by the slot.
 *
 * It is drawn as SVG, one small drawing a row over one ground, and not on a canvas:
 * a row's words stay text that can be read aloud, enlarged and wrapped; the fills
 * and outlines are style, so that day, night and high sun need no redrawing; and
 * with curves thinned to a point a pixel a change costs a path or two, far under a
 * frame. The columns are the layout's own, so the text may double in size.
 */
import { signal } from "@preact/signals";
import { useEffect, useRef } from "preact/hooks";
import { namedTicks, pastMinutes, timeScale, timeTicks, type TimeScale } from "../chart/scale.ts";
import { useSize } from "../parts/size.ts";
import { useStages } from "../parts/stages.ts";
import { beforeFire } from "../state/rest.ts";
import { alarms, begun, cautions, done, ended, front, kept, live, now, pastMissing, stepIds, view, zone } from "../state/shown.ts";
import { clock, offset } from "../words/clock.ts";
import { words } from "../words/en.ts";
import { AlarmList, listed } from "./Alarms.tsx";
import { arrange } from "./arrange.ts";
import { Choose } from "./Head.tsx";
import { Fold, Lane } from "./Lane.tsx";
import { Reasons } from "./Reasons.tsx";
import { AtRest } from "./Rest.tsx";
import { Boiler, Firebox, Shell } from "./Strips.tsx";
import { lastHeard } from "./told.ts";

/** The lane whose reasons are open, and whether folded lanes are spread out. */
const opened = signal<string | null>(null);
const spread = signal(false);

const toggle = (id: string): void => {
  opened.value = opened.value === id ? null : id;
};

const spreadOut = (): void => {
  spread.value = true;
};

/** A row moves on by this much at a time, in px: less would be redrawing for nothing. */
const nowStepPx = 0.5;

/** What the strips give up where something else wants room, in rem; as in the style. */
const tightRem = 2;

/** Strips over the lanes; the first drawing goes row by row. */
const stripCount = 3;

interface Props {
  /** Height for the sheet without scrolling, in px. */
  readonly room: number;
  readonly rem: number;
  readonly width: number;
  readonly wide: boolean;
}

export function Sheet({ room, rem, width, wide }: Props) {
  const [pastRef, past] = useSize<HTMLDivElement>();
  const [aheadRef, aheadSize] = useSize<HTMLDivElement>();
  const [betweenRef, between] = useSize<HTMLDivElement>();
  const at = now.value ?? 0;
  const start = begun.value ?? at;
  const over = ended.value !== null && at - ended.value > 6 * 3_600_000;
  const minutes = pastMinutes(over ? 0 : (at - start) / 60_000, past.width);
  // Points are asked for in steps, so that a window being drawn wider does not ask at every pixel.
  const points = Math.max(100, Math.ceil(past.width / 100) * 100);
  useEffect(() => {
    if (past.width > 0 && (view.value.minutes !== minutes || view.value.points !== points)) view.value = { minutes, points };
  }, [minutes, points, past.width]);

  const phone = width < 37.5 * rem;
  const ids = stepIds.value;
  const open = opened.value !== null && ids.includes(opened.value) ? opened.value : null;
  const tight = listed.value || between.height > 0 || alarms.value.length > 0 || beforeFire.value.length > 0;
  const rows = arrange(ids, {
    done: (id) => done(id) !== null,
    front: front.value,
    open,
    spread: spread.value || phone,
    // A list that a person opened goes before the lanes; they are not folded for it.
    room: (room - (listed.value ? 0 : between.height)) / rem + (tight ? tightRem : 0),
  });
  useEffect(() => {
    if (open) document.getElementById(`reasons-${open}`)?.scrollIntoView({ block: "nearest" });
  }, [open]);
  const scale = useScales(at, minutes, past.width, aheadSize.width, stripCount + rows.length);
  const x = scale(0);
  const alive = live.value;
  const stage = useStages(stripCount + rows.length);
  return (
    <section class={`sheet${open || tight ? " sheet-opened" : ""}`}>
      <Hatch />
      <Ground x={x} alive={alive} />
      <div class="row scale">
        <div class="name">{wide && <Choose short />}</div>
        <div class="past" ref={pastRef} aria-hidden="true">
          <Times x={x} side="past" rem={rem} inside={phone} />
        </div>
        <div class="slot flag">
          <span>{alive ? words.now(clock(at, zone.value)) : words.heard(clock(at, zone.value))}</span>
        </div>
        <div class="ahead" ref={aheadRef} aria-hidden="true">
          {alive && <Times x={x} side="ahead" rem={rem} inside />}
        </div>
      </div>
      {stage > 0 && <Boiler x={x} rem={rem} />}
      {stage > 1 && <Shell x={scale(1)} rem={rem} />}
      {stage > 2 && <Firebox x={scale(2)} rem={rem} />}
      <div class="between" ref={betweenRef}>
        {stage > 2 && <AlarmList />}
        {stage > 2 && <AtRest />}
      </div>
      {rows.slice(0, Math.max(0, stage - stripCount)).map((r, i) =>
        r.kind === "fold" ? (
          <Fold key={r.which} row={r} x={scale(stripCount + i)} onOpen={spreadOut} />
        ) : (
          <div key={r.id} class={`lane-group${open === r.id ? " lane-group-open" : ""}`}>
            <Lane id={r.id} x={scale(stripCount + i)} rem={rem} inFront={r.id === front.value} open={open === r.id} onTouch={toggle} />
            {open === r.id ? <Reasons id={r.id} /> : r.id === front.value && <Beware id={r.id} />}
          </div>
        ),
      )}
      {!alive && (
        <div class="stopped">
          <p class="stopped-first">{words.stops}</p>
          <p>{lastHeard()}</p>
          {kept.value && <p>{words.keptHere}</p>}
          <p>{words.tryingAgain}</p>
        </div>
      )}
      {pastMissing.value && alive && <p class="trouble">{words.pastMissing(pastMissing.value)}</p>}
    </section>
  );
}

/**
 * The scale of time of each of `count` rows. A row keeps its own until now has moved by a
 * step, so that it is drawn again only then; and each comes to its step at another moment
 * than the others, so that they are not all drawn again in one piece.
 */
function useScales(at: number, minutes: number, past: number, ahead: number, count: number): (row: number) => TimeScale {
  const kept = useRef<TimeScale[]>([]);
  const step = past > 0 ? (nowStepPx * minutes * 60_000) / past : 60_000;
  return (row) => {
    const phase = (step * (row % count)) / count;
    const now = Math.floor((at - phase) / step) * step + phase;
    const old = kept.current[row];
    if (old && old.now === now && old.minutes === minutes && old.pastWidth === past && old.aheadWidth === ahead) return old;
    return (kept.current[row] = timeScale(now, minutes, past, ahead));
  };
}

/** What matters most beside the step in front; the rest of it stands in the opened lane. */
function Beware({ id }: { id: string }) {
  const first = cautions(id)[0];
  return first ? <p class="beware">{first}</p> : null;
}

/** The paper: upright lines for hours, half hours and tens, under everything; and the slot. */
function Ground({ x, alive }: { x: TimeScale; alive: boolean }) {
  const ticks = timeTicks(x.from, x.to, x.pxPerMs, offset(x.now, zone.value));
  const lines = (side: "past" | "ahead") =>
    ticks
      .filter((t) => (side === "past" ? t.t < x.now : t.t > x.now))
      .map((t) => {
        const at = x[side](t.t);
        return <line key={t.t} class={`at-${t.weight}`} x1={at} x2={at} y1="0" y2="100%" />;
      });
  return (
    <div class="row ground" aria-hidden="true">
      <div class="name" />
      <svg class="past">{lines("past")}</svg>
      <div class="slot" />
      <svg class="ahead">{alive && lines("ahead")}</svg>
    </div>
  );
}

/** Names of times; `inside` keeps them off the left edge, where no gutter gives them room. */
function Times({ x, side, rem, inside }: { x: TimeScale; side: "past" | "ahead"; rem: number; inside: boolean }) {
  const ticks = namedTicks(timeTicks(x.from, x.to, x.pxPerMs, offset(x.now, zone.value)), x.pxPerMs, 4.2 * rem);
  const room = 1.5 * rem;
  return (
    <>
      {ticks.map((t) => {
        const at = x[side](t.t);
        const width = side === "past" ? x.pastWidth : x.aheadWidth;
        if (at < (inside ? room : -0.5 * rem) || at > width - room) return null;
        return (
          <span key={t.t} class={`time time-${t.weight}`} style={{ left: `${at}px` }}>
            {clock(t.t, zone.value)}
          </span>
        );
      })}
    </>
  );
}

/** The one hatch of the page, for what is not yet proven. */
function Hatch() {
  return (
    <svg class="defs" width="0" height="0" aria-hidden="true">
      <defs>
        <pattern id="not-yet" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <line class="hatch" x1="3.5" x2="3.5" y1="0" y2="7" />
        </pattern>
      </defs>
    </svg>
  );
}
