/** What became different from one cooldown to another: each finding as a sentence, how sure it is, then its drawing. */
import { useMemo } from "preact/hooks";
import { line } from "d3-shape";
import { trends } from "../link/record.ts";
import { useSize } from "../parts/size.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import type { Trends as Told } from "../state/wire.ts";
import { figure, withUnit, yearsWords } from "../words/years.ts";
import { retold } from "../words/units.ts";
import { units } from "../crew/told.ts";
import "../style/years.css";
import { changesIn, dateOf, dateTicks, ownOf, reachOf, scaleOf, seasons, shareOf, spanOf, type Change, type Evening, type Level, type Own } from "./change.ts";
import { useCalled } from "./called.ts";
import type { PartProps } from "./part.ts";

const w = yearsWords.trends;

/** As many evenings must a figure be known of before a change of it is looked for; as in the daemon's rules/trend. */
const needed = 10;

export function Trends({ engine }: PartProps) {
  const [got, again] = useCalled(engine.id, () => trends(engine.id));
  switch (got.how) {
    case "waiting":
      return <Plain head={engine.name} status={w.waiting} />;
    case "failed":
      return (
        <Plain head={engine.name} status={w.failed(got.why)}>
          <Touch onTouch={again}>{yearsWords.again}</Touch>
        </Plain>
      );
    case "here":
      return <Found name={engine.name} t={got.what} />;
    default:
      return got satisfies never;
  }
}

function Plain({ head, status, children }: { head: string; status: string; children?: preact.ComponentChildren }) {
  return (
    <>
      <h1>{head}</h1>
      <p class="how" role="status">
        {status}
      </p>
      {children && <div class="plain-does">{children}</div>}
    </>
  );
}

function Found({ name, t }: { name: string; t: Told }) {
  const zone = shown.zone.value;
  const { changes, own, span, most } = useMemo(() => {
    const own = t.series.map((s) => ({ s, own: ownOf(s) }));
    return { changes: changesIn(t), own, span: spanOf(t), most: Math.max(0, ...t.series.map((s) => s.points.length)) };
  }, [t]);
  const newest = Math.max(...t.series.flatMap((s) => s.points.map((p) => Date.parse(p.t))));
  const share = shareOf(own.flatMap((o) => (o.own ? [o.own] : [])));
  const [first, ...others] = changes;
  const head = first
    ? retold(first.finding.text, units())
    : most === 0
      ? w.none(name)
      : most < needed
        ? w.few(name, most)
        : w.quiet(name, most);
  const how = first ? "" : most === 0 ? w.noneWaits : most < needed ? w.fewWaits(needed - most) : w.quietWaits;
  return (
    <>
      <h1 class="finding-head">{head}</h1>
      {how && <p class="how">{how}</p>}
      {first && span && <Drawn c={first} span={span} newest={newest} zone={zone} />}
      {first && <p class="how how-many">{w.found(changes.length)}</p>}
      {span &&
        others.map((c) => (
          <section class="finding" key={`${c.finding.quantity} ${c.finding.since}`}>
            <h2>{retold(c.finding.text, units())}</h2>
            <Drawn c={c} span={span} newest={newest} zone={zone} />
          </section>
        ))}
      <h2 class="multiples-head">{w.series}</h2>
      {span && <p class="how">{w.seriesHow(`\u00b1${Math.round(share * 100)} %`)}</p>}
      <div class="multiples">
        {own.map(({ s, own: o }) => {
          const n = changes.filter((c) => c.finding.quantity === s.quantity).length;
          return (
            <section class="multiple" key={s.quantity} data-quantity={s.quantity}>
              <h3>{s.title}</h3>
              {o && span ? (
                <>
                  <p class="multiple-figure">
                    {o.evenings.length === 1
                      ? w.single(withUnit(figure(o.median, s.unit), s.unit))
                      : w.steady(withUnit(figure(o.median, s.unit), s.unit), o.evenings.length, figure(o.lo, s.unit), figure(o.hi, s.unit))}
                  </p>
                  <p class="multiple-note">{[noteOf(s.quantity, n, o.evenings.length, changes), beyond(o, share)].filter(Boolean).join("; ")}</p>
                  <Multiple o={o} share={share} span={span} zone={zone} changes={changes.filter((c) => c.finding.quantity === s.quantity)} />
                  <Figures title={s.title} unit={s.unit} evenings={o.evenings} newest={newest} zone={zone} />
                </>
              ) : (
                <p class="multiple-note">{`${w.wants(0)}: ${w.waitsFor[s.quantity] ?? w.waitsForOther}`}</p>
              )}
            </section>
          );
        })}
      </div>
    </>
  );
}

/** What was found of a figure, in a few words. */
function noteOf(quantity: string, found: number, known: number, changes: readonly Change[]): string {
  if (found > 0) return w.changed(found);
  if (known < needed) return w.wants(known);
  // The daemon tells one loss of heat once, though two figures show it.
  return quantity === "fall-at-100k" && changes.some((c) => c.finding.quantity === "heat-loss") ? w.sameAgain : w.noChange;
}

function beyond(o: Own, share: number): string {
  const [lo, hi] = reachOf(o, share);
  const n = o.evenings.filter((e) => e.v < lo || e.v > hi).length;
  return n > 0 ? w.beyond(n) : "";
}

interface DrawnProps {
  readonly c: Change;
  readonly span: readonly [number, number];
  readonly newest: number;
  readonly zone: string;
}

/** How sure a finding is, and its drawing. */
function Drawn({ c, span, newest, zone }: DrawnProps) {
  const f = c.finding;
  const on = (t: number): string => dateOf(t, newest, zone);
  const [since, until] = [on(Date.parse(f.since)), on(Date.parse(f.until))];
  const sure = f.kind === "step"
    ? [w.step(f), w.chance(f.p), w.restsStep(f.evenings_after, f.evenings_before, since, until)]
    : [w.drift(f), w.chance(f.p), w.restsDrift(f.evenings_after, since, until)];
  return (
    <>
      <p class="how">{sure.join(" ")}</p>
      <Plot c={c} span={span} zone={zone} label={w.drawing(c.series.title, f.unit, c.evenings.length, on(c.evenings[0]?.t ?? newest), on(c.evenings.at(-1)?.t ?? newest))} />
    </>
  );
}

const gutter = 52;
const foot = 24;

function Plot({ c, span, zone, label }: { c: Change; span: readonly [number, number]; zone: string; label: string }) {
  const [ref, size] = useSize<HTMLDivElement>();
  const width = Math.max(0, size.width - gutter);
  const height = Math.max(0, size.height - foot);
  const x = (t: number): number => ((t - span[0]) / (span[1] - span[0])) * width;
  const { y, ticks } = scaleOf(c, height);
  const rests = new Set(c.rests);
  const level = (l: Level): string => `M${x(l.from).toFixed(1)},${y(l.v0).toFixed(1)}L${x(l.to).toFixed(1)},${y(l.v1).toFixed(1)}`;
  const band = `M${x(c.least.from)},${y(c.least.v0)}L${x(c.least.to)},${y(c.least.v1)}L${x(c.most.to)},${y(c.most.v1)}L${x(c.most.from)},${y(c.most.v0)}z`;
  // A single evening after the change has no length: its level is still to be seen.
  const wide = c.after.to > c.after.from;
  return (
    <figure class="plot">
      <figcaption class="plot-top">
        <span class="plot-title">{c.series.title + (c.series.unit ? `, ${c.series.unit}` : "")}</span>
        <span class="plot-key" aria-hidden="true">
          <Key kind={c.finding.kind} />
        </span>
      </figcaption>
      <div class="plot-sheet" ref={ref}>
      {width > 40 && height > 30 && (
        <svg class="plot-drawing" width={size.width} height={size.height} role="img" aria-label={label}>
          <g transform={`translate(${gutter},0)`}>
            <Dates span={span} width={width} height={height} apart={64} zone={zone} x={x} />
            {ticks.map((v) => (
              <g key={v}>
                <line class="at-half" x1="0" x2={width} y1={y(v)} y2={y(v)} />
                <text class="date" x="-8" y={y(v) + 5} text-anchor="end">
                  {figure(v, c.series.unit)}
                </text>
              </g>
            ))}
            {wide && <path class="change-band" d={band} />}
            {c.before && <path class="change-before" d={level(c.before)} />}
            {wide && <path class="change-after" d={level(c.after)} />}
            {c.finding.kind === "step" && <line class="change-at" x1={x(c.after.from)} x2={x(c.after.from)} y1="0" y2={height} />}
            {c.evenings.map((e) => (
              <Mark key={e.t} x={x(e.t)} y={y(e.v)} full={rests.has(e)} />
            ))}
            <line class="plot-foot" x1="0" x2={width} y1={height} y2={height} />
          </g>
        </svg>
      )}
      </div>
    </figure>
  );
}

/** The figure of one evening: full where the finding rests on it, an outline where not. */
const Mark = ({ x, y, full, small }: { x: number; y: number; full: boolean; small?: boolean }) => {
  const side = small ? 3 : 6;
  return <rect class={full ? "evening-mark" : "evening-mark evening-mark-apart"} x={x - side / 2} y={y - side / 2} width={side} height={side} />;
};

function Key({ kind }: { kind: "step" | "drift" }) {
  return (
    <>
      {kind === "step" && (
        <span>
          <svg width="30" height="10">
            <line class="change-before" x1="0" x2="30" y1="5" y2="5" />
          </svg>
          {w.before}
        </span>
      )}
      <span>
        <svg width="30" height="10">
          <line class="change-after" x1="0" x2="30" y1="5" y2="5" />
        </svg>
        {kind === "step" ? w.after : w.line}
      </span>
      <span>
        <svg width="30" height="12">
          <rect class="change-band" x="1" y="1" width="28" height="10" />
        </svg>
        {w.interval}
      </span>
    </>
  );
}

interface MultipleProps {
  readonly o: Own;
  readonly share: number;
  readonly span: readonly [number, number];
  readonly zone: string;
  readonly changes: readonly Change[];
}

/** One figure over all evenings, beside its median. */
function Multiple({ o, share, span, zone, changes }: MultipleProps) {
  const [ref, size] = useSize<HTMLDivElement>();
  const width = Math.max(0, size.width - gutter);
  const height = Math.max(0, size.height - foot);
  const x = (t: number): number => ((t - span[0]) / (span[1] - span[0])) * width;
  const [lo, hi] = reachOf(o, share);
  const y = (v: number): number => height - ((v - lo) / (hi - lo)) * height;
  const path = line<Evening>((e) => x(e.t), (e) => y(e.v));
  return (
    <div class="multiple-plot" ref={ref} aria-hidden="true">
      {width > 0 && height > 0 && (
        <svg class="plot-drawing" width={size.width} height={size.height}>
          <g transform={`translate(${gutter},0)`}>
            <Dates span={span} width={width} height={height} apart={56} zone={zone} x={x} />
            {[[hi, 14], [o.median, y(o.median) + 5], [lo, height - 1]].map(([v, at]) => (
              <text key={at} class="date" x="-8" y={at} text-anchor="end">
                {figure(v ?? NaN, o.series.unit)}
              </text>
            ))}
            <rect class="plot-frame" x="0.5" y="0.5" width={Math.max(0, width - 1)} height={Math.max(0, height - 1)} />
            <line class="at-median" x1="0" x2={width} y1={y(o.median)} y2={y(o.median)} />
            <svg width={width} height={height}>
              {seasons(o.evenings).map((s) => (
                <path key={s[0]?.t} class="multiple-line" d={path(s) ?? ""} />
              ))}
              {changes.map((c) => (
                <path key={c.finding.since} class="change-after" d={`M${x(c.after.from)},${y(c.after.v0)}L${x(c.after.to)},${y(c.after.v1)}`} />
              ))}
            </svg>
            {o.evenings
              .filter((e) => e.v >= lo && e.v <= hi)
              .map((e) => (
                <Mark key={e.t} x={x(e.t)} y={y(e.v)} full small />
              ))}
          </g>
        </svg>
      )}
    </div>
  );
}

interface DatesProps {
  readonly span: readonly [number, number];
  readonly width: number;
  readonly height: number;
  readonly apart: number;
  readonly zone: string;
  readonly x: (t: number) => number;
}

/** Months and years as upright lines, their names below. */
function Dates({ span, width, height, apart, zone, x }: DatesProps) {
  return (
    <>
      {dateTicks(span[0], span[1], width, apart, zone).map((d) => (
        <g key={d.t}>
          <line class={d.year ? "at-hour" : "at-half"} x1={x(d.t)} x2={x(d.t)} y1="0" y2={height} />
          <text class={d.year ? "date date-year" : "date"} x={Math.min(width - 16, Math.max(16, x(d.t)))} y={height + 19} text-anchor="middle">
            {d.label}
          </text>
        </g>
      ))}
    </>
  );
}

interface FiguresProps {
  readonly title: string;
  readonly unit: string;
  readonly evenings: readonly Evening[];
  readonly newest: number;
  readonly zone: string;
}

/** The figures themselves, the newest first. */
function Figures({ title, unit, evenings, newest, zone }: FiguresProps) {
  return (
    <details class="figures">
      <summary>
        <span>{w.figures(evenings.length)}</span>
      </summary>
      <ol aria-label={title} reversed>
        {[...evenings].reverse().map((e) => (
          <li key={e.t}>
            <span>{dateOf(e.t, newest, zone)}</span>
            <span class="figure-of">{withUnit(figure(e.v, unit), unit)}</span>
          </li>
        ))}
      </ol>
    </details>
  );
}
