/** All evenings of an engine, the newest first, under their years. Only the rows in view are in the page. */
import { useLayoutEffect, useMemo, useRef, useState } from "preact/hooks";
import { useWindow } from "../parts/size.ts";
import { pressureUnit, temperatureUnit, type Units } from "../state/own.ts";
import type { Engine, PastDisposal } from "../state/wire.ts";
import { dayClock } from "../words/clock.ts";
import { engineerWords as words } from "../words/engineer.ts";
import * as write from "../words/units.ts";
import type { Mark } from "./lay.ts";
import { inView, rowsOf, type Row } from "./rows.ts";
import { minutesOf } from "./told.ts";

interface Props {
  readonly engine: Engine;
  readonly all: readonly PastDisposal[];
  readonly bold: string;
  readonly over: readonly string[];
  readonly names: ReadonlyMap<string, string>;
  readonly zone: string;
  readonly onDraw: (d: PastDisposal) => void;
  readonly onPull: (d: PastDisposal) => void;
}

/** Rows beyond the view on either side. */
const spare = 12;
/** Heights of a row in rem: one line of figures, or on a narrow page two. */
const wideRem = 3;
const narrowRem = 8.6;
const narrowBelow = 56;
/** From here on, text is so large that a row's figures stand under each other. */
const tinyRem = 14;
const tinyBelow = 20;

export function List(p: Props) {
  const yearOf = useMemo(() => yearsIn(p.zone), [p.zone]);
  const rows = useMemo(() => rowsOf(p.all, yearOf), [p.all, yearOf]);
  const { width, height: view, rem } = useWindow();
  const narrow = width < narrowBelow * rem;
  const rowRem = width < tinyBelow * rem ? tinyRem : narrow ? narrowRem : wideRem;
  const height = rowRem * rem;
  const body = useRef<HTMLDivElement>(null);
  const [span, set] = useState({ first: 0, end: spare });
  // A row that has the focus stays in the page when it is scrolled away.
  const [held, hold] = useState(-1);
  useLayoutEffect(() => {
    let due = 0;
    const take = (): void => {
      due = 0;
      const top = -(body.current?.getBoundingClientRect().top ?? 0);
      const now = inView(rows.length, height, top, innerHeight, spare);
      // Drawn anew only when what is spare has been used up by half.
      set((old) => (old.end <= rows.length && Math.abs(now.first - old.first) < spare / 2 && Math.abs(now.end - old.end) < spare / 2 && old.end > 0 && now.end !== rows.length ? old : now));
    };
    const soon = (): void => {
      if (due === 0) due = requestAnimationFrame(take);
    };
    take();
    addEventListener("scroll", soon, { passive: true });
    addEventListener("resize", soon);
    return () => {
      removeEventListener("scroll", soon);
      removeEventListener("resize", soon);
      cancelAnimationFrame(due);
    };
  }, [rows, height, view]);
  const years = useMemo(() => rows.map((r, i) => ({ r, i })).filter((x): x is { r: Extract<Row, { kind: "year" }>; i: number } => x.r.kind === "year"), [rows]);
  const toRow = (i: number): void => {
    const top = (body.current?.getBoundingClientRect().top ?? 0) + scrollY;
    scrollTo({ top: top + i * height - 3.2 * rem });
  };
  const drawn: number[] = [];
  for (let i = span.first; i < Math.min(span.end, rows.length); i++) drawn.push(i);
  if (held >= 0 && held < rows.length && !drawn.includes(held)) drawn.push(held);
  const c = words.columns;
  return (
    <section class="evenings" id="evenings">
      <div class="evenings-head">
        <h2>{words.listTitle}</h2>
        <p class="evenings-note">{words.listNote}</p>
        {years.length > 1 && (
          <div class="choice" role="group" aria-label={words.toYear}>
            {years.map(({ r, i }) => (
              <button key={r.year} type="button" class="touch" onClick={() => toRow(i)}>
                <span>{r.year}</span>
              </button>
            ))}
          </div>
        )}
      </div>
      <div role="table" aria-label={words.listTitle} aria-rowcount={rows.length + 1} class={narrow ? "evenings-table evenings-narrow" : "evenings-table"}>
        <div role="row" aria-rowindex={1} class="evening evening-columns">
          {[c.date, c.first, c.blowDown, c.zero, c.boiling, c.house, c.loss, c.over].map((t) => (
            <span key={t} role="columnheader">
              {t}
            </span>
          ))}
        </div>
        <div ref={body} role="rowgroup" class="evenings-body" style={{ height: `${rows.length * rowRem}rem` }}>
          {drawn.map((i) => {
            const r = rows[i];
            if (!r) return null;
            const style = { top: `${i * rowRem}rem`, height: `${rowRem}rem` };
            if (r.kind === "year")
              return (
                <div key={r.year} role="row" aria-rowindex={i + 2} class="evenings-year" style={style}>
                  <h3 role="cell" aria-colspan={8}>
                    {words.year(r.year, r.count)}
                  </h3>
                </div>
              );
            return (
              <Evening key={r.disposal.id} d={r.disposal} index={i} style={style} p={p} onFocus={() => hold(i)} onBlur={() => hold((h) => (h === i ? -1 : h))} />
            );
          })}
        </div>
      </div>
    </section>
  );
}

interface EveningProps {
  readonly d: PastDisposal;
  readonly index: number;
  readonly style: Record<string, string>;
  readonly p: Props;
  readonly onFocus: () => void;
  readonly onBlur: () => void;
}

function Evening({ d, index, style, p, onFocus, onBlur }: EveningProps) {
  const u: Units = { pressure: pressureUnit.value, temperature: temperatureUnit.value };
  const bold = d.id === p.bold;
  const over = p.over.includes(d.id);
  const s = d.summary;
  const min = (m: Mark): string | null => {
    const t = minutesOf(d, m, "fire-out");
    return t === null ? null : words.lasting(t);
  };
  const first = s?.first.pressure_pa ?? null;
  const loss = s?.heat_loss ?? null;
  const figures: readonly [string, string | null][] = [
    [words.columns.first, first === null ? null : `${write.pressure(first, u)} ${write.pressureName(u)}`],
    [words.columns.blowDown, min("blow_down_begun")],
    [words.columns.zero, min("pressure_zero")],
    [words.columns.boiling, min("below_boiling")],
    [words.columns.house, min("firebox_cool")],
    [words.columns.loss, loss === null ? null : loss.lo !== null && loss.hi !== null ? write.spread({ value: loss.value, u: (loss.hi - loss.lo) / 2 }) : loss.value.toFixed(3)],
  ];
  const name = p.names.get(d.id) ?? d.id;
  return (
    <div role="row" aria-rowindex={index + 2} class={`evening${bold ? " evening-bold" : over ? " evening-over" : ""}`} style={style} onFocusIn={onFocus} onFocusOut={onBlur}>
      <span role="rowheader" class="evening-date">
        <button type="button" class="touch" aria-current={bold ? "true" : undefined} onClick={() => p.onDraw(d)}>
          <span>{dayClock(Date.parse(d.begun), p.zone)}</span>
        </button>
        {d.ended === undefined && <span class="evening-open">{words.open}</span>}
      </span>
      {figures.map(([label, v]) => (
        <span key={label} role="cell" class={v === null ? "evening-figure evening-none" : "evening-figure"}>
          <small aria-hidden="true">{label}</small>
          {v ?? words.notSeen}
        </span>
      ))}
      <span role="cell" class="evening-over-cell">
        {bold ? (
          <span class="evening-is">{words.bold}</span>
        ) : (
          <button type="button" class={over ? "touch touch-chosen" : "touch"} aria-pressed={over} aria-label={words.pullLabel(name)} onClick={() => p.onPull(d)}>
            <span>{words.pullOver}</span>
          </button>
        )}
      </span>
    </div>
  );
}

function yearsIn(zone: string): (t: number) => string {
  let f: Intl.DateTimeFormat;
  try {
    f = new Intl.DateTimeFormat("en-GB", { year: "numeric", timeZone: zone });
  } catch {
    f = new Intl.DateTimeFormat("en-GB", { year: "numeric", timeZone: "UTC" });
  }
  return (t) => f.format(t);
}
