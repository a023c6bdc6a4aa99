/** The rows of a sheet of evenings: what each shows, and the figures beside it. The drawing lies over them. */
import type { Signal } from "@preact/signals";
import { useMemo } from "preact/hooks";
import { pressureTicks } from "../chart/scale.ts";
import type { Units } from "../state/own.ts";
import type { Engine, PastDisposal } from "../state/wire.ts";
import { engineerWords as words } from "../words/engineer.ts";
import * as write from "../words/units.ts";
import { middle, type Align, type Mark } from "./lay.ts";
import type { Compared, Rects, Strip } from "./strips.ts";
import { difference, figure, minutesOf } from "./told.ts";
import { countedStep, multiples, placeOf, type Seen } from "./zoom.ts";

const minute = 60_000;

interface OverTableProps {
  readonly engine: Engine;
  readonly bold: PastDisposal;
  readonly others: readonly PastDisposal[];
  /** Whether there are too many to be told one by one. */
  readonly many: boolean;
  readonly by: Align;
  readonly name: (id: string) => string;
  readonly strips: readonly Strip[];
  readonly lanes: readonly Mark[];
  /** By strip; empty where it is not known yet. */
  readonly compared: readonly Compared[];
  readonly rects: Rects;
  readonly seen: Signal<Seen>;
  readonly u: Units;
  readonly rem: number;
}

export function OverTable({ engine, bold, others, many, by, name, strips, lanes, compared, rects, seen, u, rem }: OverTableProps) {
  const columns = useMemo(() => columnsOf(bold, others, many, by, name), [bold, others, many, by, name]);
  const note = (s: Strip): string | null => {
    const mark = engine.marks[s.key === "boiler" ? "blow_down_max" : s.key === "shell" ? "boiling_c" : "house_firebox_c"];
    if (mark === undefined) return null;
    return s.key === "boiler" ? words.cocksFrom(write.pressure(mark, u)) : s.key === "shell" ? words.boilsAt(write.temperature(mark, u, 1)) : words.houseAt(write.temperature(mark, u));
  };
  const titles = { boiler: words.boiler(write.pressureName(u)), shell: words.shell(write.temperatureName(u)), firebox: words.firebox(write.temperatureName(u)) };
  return (
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
      {lanes.map((m) => (
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
  );
}

/** Columns of figures where there are too many to be told one by one. */
export const manyColumns = 4;

interface Column {
  readonly head: string;
  readonly mark: (m: Mark) => string;
  readonly first: (channel: string, u: Units) => string;
  readonly loss: string;
}

/** The columns of figures: an evening each; of many, the bold one, and the others' middle and ends. */
function columnsOf(bold: PastDisposal, others: readonly PastDisposal[], many: boolean, by: Align, name: (id: string) => string): Column[] {
  const firstOf = (d: PastDisposal, channel: string): number | null => {
    const f = d.summary?.first;
    return (channel === "boiler.pressure" ? f?.pressure_pa : channel === "firebox" ? f?.firebox_c : f?.shell_c) ?? null;
  };
  const own = (d: PastDisposal): Column => ({
    head: short(name(d.id)),
    mark: (m) => told(minutesOf(d, m, by), words.lasting),
    first: (c, u) => told(firstOf(d, c), (v) => figure(c, v, u)),
    loss: told(d.summary?.heat_loss?.value ?? null, (v) => v.toFixed(3)),
  });
  if (!many) return [own(bold), ...others.map(own)];
  const known = (of: (d: PastDisposal) => number | null): number[] => others.map(of).filter((v) => v !== null);
  const made = (head: string, pick: (all: readonly number[]) => number | null): Column => ({
    head,
    mark: (m) => told(pick(known((d) => minutesOf(d, m, by))), words.lasting),
    first: (c, u) => told(pick(known((d) => firstOf(d, c))), (v) => figure(c, v, u)),
    loss: told(pick(known((d) => d.summary?.heat_loss?.value ?? null)), (v) => v.toFixed(3)),
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

function foundOf(s: Strip, c: Compared | undefined, many: boolean, name: string, u: Units): string {
  if (!c) return "";
  if (c.most && !many) return words.differs(s.what, words.min(words.counted(c.most.at, minute)), difference(s.channel, c.most.by, u));
  if (!c.out) return "";
  // The longest: more would be a list, and there is one line over the curves.
  const [longest, ...more] = c.out.filter((o) => o.to - o.from >= minute).sort((a, b) => b.to - b.from - (a.to - a.from));
  if (!longest) return words.leavesNowhere(name, s.what);
  return words.leaves(name, s.what, words.fromTo(words.counted(longest.from, minute), words.min(words.counted(longest.to, minute))), more.length > 0);
}
