/** The fall: pressure down to zero, and shell and firebox below it, each with its limit. */
import type { ComponentChildren } from "preact";
import { drawer, type Drawer } from "../chart/curve.ts";
import { pressureScale, pressureTicks, temperatureScale, type TimeScale } from "../chart/scale.ts";
import { useSize } from "../parts/size.ts";
import * as shown from "../state/shown.ts";
import type { Figure } from "../state/shown.ts";
import { stands } from "../state/alarmed.ts";
import type { Alarm, Forecast } from "../state/wire.ts";
import { lasting, when } from "../words/clock.ts";
import { words } from "../words/en.ts";
import * as write from "../words/units.ts";
import { heldShort } from "./Held.tsx";
import { units } from "./told.ts";

interface Props {
  readonly x: TimeScale;
  readonly rem: number;
}

/** Since when an alarm stands; null once it is acknowledged, for its time is then that of the word. */
const raised = (a: Alarm | undefined): number | null => (a?.state === "unacknowledged" ? Date.parse(a.t) : null);

/** Alarms that concern a strip: their stretch of the curve is the one warm thing on it. */
const pressureAlarms = ["vacuum", "pressure-rising", "over-pressure"];
const fireAlarms = ["fire-relit", "lit-open"];

export function Boiler({ x, rem }: Props) {
  const [ref, size] = useSize<HTMLDivElement>();
  const u = units();
  const working = shown.engine.value?.working_pressure ?? 0;
  const y = pressureScale(working, size.height);
  const limit = shown.mark("blow_down_max");
  const low = shown.mark("blow_down_min");
  const band = shown.mark("zero_band");
  const ticks = pressureTicks(working, size.height, 0.95 * rem, u);
  const named = limit === undefined ? ticks : ticks.filter((t) => Math.abs(t.y - y(limit)) >= 0.95 * rem);
  const figure = shown.figure("boiler.pressure");
  const alarm = shown.alarms.value.find((a) => stands(a) && pressureAlarms.includes(a.watch));
  return (
    <Strip
      class="fall"
      stripRef={ref}
      title={words.strip.boiler}
      notes={[
        band === undefined ? words.noZero : words.zero(write.pressure(band, u)),
        limit === undefined
          ? ""
          : words.cocksFrom(write.pressure(limit, u), low === undefined ? "" : write.pressure(low, u)),
        heldShort(),
      ]}
      axis={[
        ...named.map((t) => (
          <span key={t.label} class={t.heavy ? "axis axis-heavy" : "axis"} style={{ top: `${t.y}px` }}>
            {t.label}
          </span>
        )),
        limit !== undefined && (
          <span key="limit" class="axis axis-heavy" style={{ top: `${y(limit)}px` }}>
            {write.pressure(limit, u).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "")}
          </span>
        ),
      ]}
      figure={figure}
      value={(v) => write.pressure(v, u)}
      unit={write.pressureName(u)}
      y={y}
      scale={`${size.height} ${working}`}
      height={size.height}
      alarm={alarm !== undefined}
      measured={measured("boiler.pressure")}
      under={(width) => (
        <>
          {ticks.map((t) => (
            <line key={t.label} class="level" x1="0" x2={width} y1={t.y} y2={t.y} />
          ))}
          {band !== undefined && (
            <rect class="zero-band" x="-2" width={width + 4} y={y(band)} height={Math.max(2, y(-band) - y(band))} />
          )}
          {limit !== undefined && <Shore y={y(limit)} width={width} />}
        </>
      )}
      x={x}
      traces={["boiler.pressure"]}
      strong
      alarmFrom={raised(alarm)}
      ahead={<Expected target="pressure-zero" x={x} y={y(0)} room />}
    />
  );
}

export function Shell({ x }: Props) {
  const [ref, size] = useSize<HTMLDivElement>();
  const u = units();
  const y = temperatureScale(70, 190, size.height);
  const limit = shown.mark("boiling_c");
  return (
    <Strip
      class="heat"
      stripRef={ref}
      title={words.strip.shell}
      notes={[limit === undefined ? words.noLimit : words.boilsAt(write.temperature(limit, u, 1))]}
      axis={null}
      figure={shown.hottestShell()}
      value={(v) => write.temperature(v, u)}
      unit={write.temperatureName(u)}
      y={y}
      scale={`${size.height}`}
      height={size.height}
      alarm={false}
      measured={shown.channelsDrawn.value.some((c) => c.startsWith("boiler.shell."))}
      under={(width) => (limit === undefined ? null : <Shore y={y(limit)} width={width} />)}
      x={x}
      traces={shown.shellsHottestFirst.value}
      alarmFrom={null}
      ahead={limit === undefined ? null : <Expected target="below-boiling" x={x} y={y(limit)} />}
    />
  );
}

export function Firebox({ x }: Props) {
  const [ref, size] = useSize<HTMLDivElement>();
  const u = units();
  const y = temperatureScale(40, 420, size.height);
  const limit = shown.mark("house_firebox_c");
  const alarm = shown.alarms.value.find((a) => stands(a) && fireAlarms.includes(a.watch));
  return (
    <Strip
      class="heat"
      stripRef={ref}
      title={words.strip.firebox}
      notes={[limit === undefined ? words.noLimit : words.houseAt(write.temperature(limit, u))]}
      axis={null}
      figure={shown.figure("firebox")}
      value={(v) => write.temperature(v, u)}
      unit={write.temperatureName(u)}
      y={y}
      scale={`${size.height}`}
      height={size.height}
      alarm={alarm !== undefined}
      measured={measured("firebox")}
      under={(width) => (limit === undefined ? null : <Shore y={y(limit)} width={width} />)}
      x={x}
      traces={["firebox"]}
      alarmFrom={raised(alarm)}
      ahead={limit === undefined ? null : <Expected target="firebox-cool" x={x} y={y(limit)} />}
    />
  );
}

const measured = (channel: string): boolean => shown.channelsDrawn.value.includes(channel);

interface StripProps {
  readonly class: string;
  readonly stripRef: preact.RefObject<HTMLDivElement>;
  readonly title: string;
  readonly notes: readonly string[];
  readonly axis: ComponentChildren;
  readonly figure: Figure;
  readonly value: (v: number) => string;
  readonly unit: string;
  readonly y: (v: number) => number;
  /** Names `y`: another scale has another name. */
  readonly scale: string;
  readonly height: number;
  readonly alarm: boolean;
  readonly alarmFrom: number | null;
  readonly measured: boolean;
  readonly under: (width: number) => ComponentChildren;
  readonly x: TimeScale;
  readonly traces: readonly string[];
  readonly strong?: boolean;
  readonly ahead: ComponentChildren;
}

const drawers = new Map<string, Drawer>();

function drawerOf(channel: string): Drawer {
  const d = drawers.get(channel) ?? drawer();
  drawers.set(channel, d);
  return d;
}

function Strip(p: StripProps) {
  const alive = shown.live.value;
  const drawn = p.traces.map((c) => [c, drawerOf(c)(shown.trace(c), p.x, p.y, p.scale)] as const);
  const empty = drawn.every(([, parts]) => parts.every((d) => d.line === ""));
  const onset = p.alarmFrom !== null ? p.x.past(p.alarmFrom) : null;
  return (
    <div class={`row strip ${p.class}`}>
      <div class="name">
        <span class="strip-title">{p.title}</span>
        {p.notes.filter(Boolean).map((n, i) => (
          <span key={i} class="note">
            {n}
          </span>
        ))}
      </div>
      <div class="past" ref={p.stripRef}>
        <div class="axes" aria-hidden="true">
          {p.axis}
        </div>
        <svg class="drawing" aria-hidden="true">
          {p.under(p.x.pastWidth)}
          {drawn.map(([c, parts]) => (
            <g key={c}>
              {parts.map((d, i) => (d.spread ? <path key={i} class="spread" d={d.spread} /> : null))}
              {parts.map((d, i) => (
                <path key={i} class={p.strong ? "curve curve-strong" : c === p.traces[0] ? "curve" : "curve curve-beside"} d={d.line} />
              ))}
              {onset !== null && (
                <svg x={onset} width={Math.max(0, p.x.pastWidth - onset)} viewBox={`${onset} 0 ${Math.max(1, p.x.pastWidth - onset)} ${p.height}`}>
                  <path class="curve curve-strong curve-alarm" d={parts.map((d) => d.line).join("")} />
                </svg>
              )}
            </g>
          ))}
          {onset !== null && onset > 0 && <line class="onset" x1={onset} x2={onset} y1={p.height * 0.5} y2={p.height} />}
        </svg>
        {empty && <span class="empty">{p.measured ? words.noPast : words.notMeasured}</span>}
      </div>
      <div class="slot">
        <Slot {...p} />
      </div>
      <div class="ahead" aria-hidden="true">
        {alive && (
          <>
            <svg class="drawing">{p.under(p.x.aheadWidth)}</svg>
            {p.ahead}
          </>
        )}
      </div>
    </div>
  );
}

/** The figure, with the nib at its true height; an outline and its age where it is not current. */
function Slot({ figure: f, value, unit, y, height, alarm, measured, title }: StripProps) {
  const at = f.kind === "full" || f.kind === "outline" ? y(f.value) : null;
  const inside = at !== null && at >= 0 && at <= height;
  const age = "age" in f ? (Number.isFinite(f.age) ? words.old(lasting(f.age)) : "") : "";
  const why = "why" in f ? f.why : "";
  // How old a reading is that counts for nothing tells nobody anything, where it is said why.
  const told = <span class="figure-note">{f.kind === "lost" ? why || age || words.noReading : [age, why].filter(Boolean).join(", ")}</span>;
  return (
    <>
      {at !== null && (
        <svg class={`nib${f.kind === "outline" ? " nib-outline" : ""}${alarm ? " nib-alarm" : ""}`} width="14" height={Math.max(0, height)}>
          {inside ? (
            <path d={`M1,${at - 8}L13,${at}L1,${at + 8}z`} />
          ) : (
            <path class="off" d={at < 0 ? "M2,12l5,-8l5,8" : `M2,${height - 12}l5,8l5,-8`} />
          )}
        </svg>
      )}
      <div class={`figure-box${alarm ? " figure-alarm" : ""}${f.kind === "lost" ? " figure-lost" : ""}`} style={{ "--at": `${at ?? height / 2}px` }} role="group" aria-label={title}>
        {f.kind === "full" || f.kind === "outline" ? (
          <span class={`figure figure-${f.kind}${value(f.value).length > 4 ? " figure-long" : ""}`}>
            {value(f.value)}
            <small>{unit}</small>
          </span>
        ) : (
          <span class="figure-none">{f.kind === "lost" ? words.noReading : measured ? words.never : words.notMeasured}</span>
        )}
        {(f.kind === "outline" || f.kind === "lost") && told}
      </div>
    </>
  );
}

/** A limit as a shore to be crossed: hachures on the side that is to be reached. */
function Shore({ y: exact, width }: { y: number; width: number }) {
  // One that moves with the weather, as boiling does, is not drawn anew for what nobody sees.
  const y = Math.round(exact * 2) / 2;
  let d = "";
  for (let x = 6; x < width; x += 11) d += `M${x},${y}l-5,6`;
  return (
    <g class="shore">
      <line x1="0" x2={width} y1={y} y2={y} />
      <path d={d} />
    </g>
  );
}

/** What is expected of a curve: a tick at the median on the limit, the interval as a band, and the words. */
function Expected({ target, x, y, room }: { target: Forecast["forecast"]; x: TimeScale; y: number; room?: boolean }) {
  const all = shown.forecasts.value.filter((f) => f.forecast === target);
  const f = all.find((g) => g.eta !== null) ?? all[0];
  // Before the blow-down both are told: left as it is, and with the cocks opened now.
  const other = all.find((g) => g !== f && g.eta !== null);
  if (!f) return room ? <p class="expected">{words.noForecast}</p> : null;
  if (f.eta === null) return f.text && room ? <p class="expected">{f.text}</p> : null;
  const zone = shown.zone.value;
  const now = shown.now.value;
  const eta = Date.parse(f.eta);
  const [lo, hi] = [Date.parse(f.lo ?? f.eta), Date.parse(f.hi ?? f.eta)];
  return (
    <>
      <svg class="drawing">
        <rect class="interval" x={x.ahead(lo)} width={Math.max(2, x.ahead(hi) - x.ahead(lo))} y={y - 5} height="10" />
        <line class="median" x1={x.ahead(eta)} x2={x.ahead(eta)} y1={y - 11} y2={y + 11} />
      </svg>
      <p class={room ? "expected" : "expected expected-one"}>
        <strong>
          {room ? `${words.forecastOf[target] ?? target} ` : ""}
          {words.about(when(eta, now, zone))}
        </strong>
        {room && <span>{words.between(when(lo, now, zone), when(hi, now, zone))}</span>}
        {room && f.assuming === "blown-down" && <span>{words.ifBlownDown}</span>}
        {room && other?.eta && <span>{words.blownDownAbout(when(Date.parse(other.eta), now, zone))}</span>}
      </p>
    </>
  );
}
