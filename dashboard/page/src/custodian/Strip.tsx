/** A short strip of the sheet: what was measured and judged, the slot, what is expected. */
import { curve } from "../chart/curve.ts";
import { pressureScale, temperatureScale, timeTicks, type TimeScale } from "../chart/scale.ts";
import { stretches } from "../state/past.ts";
import type { Line } from "../state/shedlist.ts";
import { known } from "../state/held.ts";
import * as shown from "../state/shown.ts";
import type { Verdict } from "../state/wire.ts";
import { clock, offset, when } from "../words/clock.ts";
import { custodianWords as w } from "../words/custodian.ts";
import { words } from "../words/en.ts";
import { pastOf } from "./pasts.ts";

/** Heights of the curve and of the bar under it, in rem. */
const curveRem = 3.4;
const barRem = 1.15;

const fill: Record<Verdict, string> = { "proven": "bar-proven", "not-yet": "bar-not-yet", "cannot-tell": "bar-cannot-tell" };

export function Strip({ line, x, rem }: { line: Line; x: TimeScale; rem: number }) {
  const alive = shown.live.value;
  const curveHeight = Math.round(curveRem * rem);
  const bar = Math.round(barRem * rem);
  const height = curveHeight + bar + 8;
  const { channel, statement: st, expected } = line;
  const y = scaleOf(line.id, channel, curveHeight);
  const limit = limitOf(line.id, channel);
  const past = pastOf(line.id, channel);
  const drawn = curve(past.trace, x, y);
  const figure = shown.figureOf(known.value.states[line.id]?.channels[channel], shown.now.value, alive, shown.heardAgo.value ?? Infinity);
  const nib = (figure.kind === "full" || figure.kind === "outline") && alive ? y(figure.value) : null;
  const word = st.done !== null ? when(st.done, shown.now.value, shown.zone.value) : words.verdict[st.verdict];
  const top = curveHeight + 4;
  const until = Math.min(st.done ?? x.now, x.now);
  return (
    <div class="shed-row shed-strip" style={{ "--strip": `${height}px` }}>
      <div class="shed-past" aria-hidden="true">
        <svg class="shed-drawing" width={x.pastWidth} height={height}>
          <Lines x={x} side="past" height={height} />
          {limit !== undefined && <Shore y={y(limit)} width={x.pastWidth} />}
          {drawn.spread && <path class="spread" d={drawn.spread} />}
          <path class="curve" d={drawn.line} />
          {stretches(past.judged.segments[st.id] ?? [], x.from, until).map((s) => (
            <Bar key={s.from} verdict={s.verdict} x={x.past(s.from)} width={x.past(s.to) - x.past(s.from)} y={top} height={bar} />
          ))}
          {st.done !== null && <line class="after-done" x1={Math.max(0, x.past(st.done))} x2={x.pastWidth} y1={top + bar / 2} y2={top + bar / 2} />}
        </svg>
        <span class="shed-channel">{drawn.line === "" && past.trace.points.length === 0 ? "" : (w.channel[channel.startsWith("boiler.shell.") ? "steel" : channel] ?? "")}</span>
      </div>
      <div class="shed-slot">
        {nib !== null && nib >= 0 && nib <= curveHeight && (
          <svg class={`shed-nib${figure.kind === "full" ? "" : " shed-nib-outline"}`} width="11" height="14" viewBox="0 0 11 14" style={{ top: `${nib - 7}px` }} aria-hidden="true">
            <path d="M1,1v12l9,-6z" />
          </svg>
        )}
        <span class="shed-statement">{st.name}</span>{" "}
        <strong class="shed-verdict">{word}</strong>
        <svg class="shed-fill" height={bar} width="100%" style={{ top: `${top}px` }} aria-hidden="true">
          {st.done === null ? (
            <rect class={fill[st.verdict]} x="2" y="1" width="10" height={bar - 2} style={{ width: "calc(100% - 4px)" }} />
          ) : (
            <line class="after-done" x1="0" x2="100%" y1={bar / 2} y2={bar / 2} />
          )}
        </svg>
      </div>
      <div class="shed-ahead" aria-hidden="true">
        {alive && (
          <svg class="shed-drawing" width={x.aheadWidth} height={height}>
            <Lines x={x} side="ahead" height={height} />
            {limit !== undefined && <Shore y={y(limit)} width={x.aheadWidth} />}
            {expected && <Expected of={expected} x={x} top={top} bar={bar} />}
          </svg>
        )}
        {alive && expected && x.ahead(expected.eta) > x.aheadWidth - 8 && <span class="shed-beyond">{clock(expected.eta, shown.zone.value)}</span>}
      </div>
    </div>
  );
}

/** The interval as a grey bar, and from the median on the open bar that has no right end. */
function Expected({ of, x, top, bar }: { of: NonNullable<Line["expected"]>; x: TimeScale; top: number; bar: number }) {
  const [eta, lo, hi] = [Math.max(0, x.ahead(of.eta)), Math.max(0, x.ahead(of.lo)), x.ahead(of.hi)];
  if (eta > x.aheadWidth - 8) {
    const m = top + bar / 2;
    return <path class="shed-chevron" d={`M${x.aheadWidth - 9},${m - 7}l7,7l-7,7`} />;
  }
  return (
    <>
      <rect class="interval" x={lo} y={top - 11} width={Math.max(2, Math.min(hi, x.aheadWidth + 4) - lo)} height="8" />
      <path class="shed-open-bar" d={`M${x.aheadWidth + 4},${top + 1}H${eta + 1}v${bar - 2}H${x.aheadWidth + 4}`} />
      <line class="median" x1={eta + 1} x2={eta + 1} y1={top - 15} y2={top + bar} />
    </>
  );
}

function Bar({ verdict, x, width, y, height }: { verdict: Verdict; x: number; width: number; y: number; height: number }) {
  if (!(width >= 0.4)) return null;
  const inset = verdict === "proven" ? 0 : 0.9;
  return <rect class={fill[verdict]} x={x + inset} y={y + inset} width={Math.max(0.4, width - 2 * inset)} height={height - 2 * inset} />;
}

function Lines({ x, side, height }: { x: TimeScale; side: "past" | "ahead"; height: number }) {
  const [from, to] = side === "past" ? [x.from, x.now] : [x.now, x.to];
  return (
    <>
      {timeTicks(from, to, x.pxPerMs, offset(x.now, shown.zone.value))
        .filter((t) => t.weight !== "ten")
        .map((t) => {
          const at = side === "past" ? x.past(t.t) : x.ahead(t.t);
          return <line key={t.t} class={`at-${t.weight}`} x1={at} x2={at} y1="0" y2={height} />;
        })}
    </>
  );
}

function Shore({ y, width }: { y: number; width: number }) {
  const n = Math.ceil(width / 11);
  return (
    <g class="shore">
      <line x1="0" x2={width} y1={y} y2={y} />
      <path d={Array.from({ length: n }, (_, i) => `M${i * 11},${y + 6}l6,-6`).join("")} />
    </g>
  );
}

const engineOf = (id: string) => shown.engines.value.find((e) => e.id === id);

function scaleOf(id: string, channel: string, height: number): (v: number) => number {
  if (channel === "boiler.pressure") return pressureScale(engineOf(id)?.working_pressure ?? 0, height);
  if (channel.startsWith("boiler.shell.")) return temperatureScale(-10, 60, height);
  return temperatureScale(40, 420, height);
}

/** The limit that the curve is to cross; at rest none is drawn. */
function limitOf(id: string, channel: string): number | undefined {
  if (channel === "boiler.pressure") return 0;
  const v = channel === "firebox" ? engineOf(id)?.marks["house_firebox_c"] : undefined;
  return typeof v === "number" && Number.isFinite(v) ? v : undefined;
}

/** The hatching of "not yet", which every bar of the view shares. */
export const Hatch = () => (
  <svg class="defs" width="0" height="0" aria-hidden="true">
    <defs>
      <pattern id="not-yet" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
        <line class="hatch" x1="3.5" x2="3.5" y1="0" y2="7" />
      </pattern>
    </defs>
  </svg>
);


