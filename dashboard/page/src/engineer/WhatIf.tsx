/** A past evening judged once more by other limits, and which verdicts move by it. */
import { useEffect, useRef, useState } from "preact/hooks";
import { namedTicks, timeTicks } from "../chart/scale.ts";
import { limits as fetchLimits, rerun, Stopped } from "../link/record.ts";
import { useSize } from "../parts/size.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import { stepTitleOf } from "../state/sensors.ts";
import type { Limit, Rerun, RerunStep } from "../state/wire.ts";
import { clock, offset } from "../words/clock.ts";
import { asSentence } from "../words/en.ts";
import { retold } from "../words/units.ts";
import { yearsWords } from "../words/years.ts";
import { units } from "../crew/told.ts";
import "../style/years.css";
import { useCalled, whyOf } from "./called.ts";
import { Fill, Hatching } from "./Fill.tsx";
import type { EveningProps } from "./part.ts";
import { barsOf, measureOf, movable, moved, putOf, same, written } from "./rerun.ts";

const w = yearsWords.whatIf;

export function WhatIf(props: EveningProps) {
  const [open, setOpen] = useState(false);
  return (
    <section class="what-if" aria-label={w.title}>
      <div class="part-head">
        <h2>{w.title}</h2>
        <Touch expanded={open} onTouch={() => setOpen(!open)}>
          {open ? w.close : w.open}
        </Touch>
      </div>
      {open && (
        <>
          <p class="how">{w.how}</p>
          <Opened key={`${props.engine.id} ${props.disposal.id}`} {...props} />
        </>
      )}
    </section>
  );
}

function Opened(props: EveningProps) {
  const [got, again] = useCalled(props.engine.id, () => fetchLimits(props.engine.id));
  switch (got.how) {
    case "waiting":
      return <p role="status">{w.waiting}</p>;
    case "failed":
      return (
        <p role="status">
          {w.failed(got.why)} <Touch onTouch={again}>{yearsWords.again}</Touch>
        </p>
      );
    case "here":
      return <Choosing {...props} all={movable(got.what)} others={got.what.length > movable(got.what).length} />;
    default:
      return got satisfies never;
  }
}

type Fare =
  | { readonly how: "none" }
  | { readonly how: "running"; readonly done: number | null }
  | { readonly how: "stopped" }
  | { readonly how: "trouble"; readonly why: string }
  | { readonly how: "here"; readonly result: Rerun };

function Choosing({ engine, disposal, all, others }: EveningProps & { all: readonly Limit[]; others: boolean }) {
  const [put, setPut] = useState<Readonly<Record<string, string>>>({});
  const [fare, setFare] = useState<Fare>({ how: "none" });
  const stop = useRef<AbortController | null>(null);
  useEffect(() => () => stop.current?.abort(), []);
  const u = units();
  const chosen = all.filter((l) => l.key in put);
  const read = chosen.map((l) => [l, putOf(put[l.key] ?? "", l, measureOf(l.unit, u))] as const);
  const fit = read.every(([, p]) => "value" in p);
  const running = fare.how === "running";
  const run = async (): Promise<void> => {
    const by: Record<string, number> = {};
    for (const [l, p] of read) if ("value" in p) by[l.key] = p.value;
    const mine = new AbortController();
    stop.current = mine;
    setFare({ how: "running", done: null });
    try {
      const result = await rerun(engine.id, disposal.id, by, mine, (done) => setFare({ how: "running", done }));
      setFare({ how: "here", result });
    } catch (err) {
      setFare(err instanceof Stopped ? { how: "stopped" } : { how: "trouble", why: whyOf(err) });
    }
  };
  return (
    <>
      <div class="limits">
        {read.map(([l, p]) => (
          <Moved
            key={l.key}
            l={l}
            text={put[l.key] ?? ""}
            wrong={"wrong" in p ? p.wrong : ""}
            stepsOf={(ids) => ids.map((id) => stepTitleOf(engine.id, id)).join(", ")}
            onText={(text) => setPut({ ...put, [l.key]: text })}
            onAway={() => setPut(Object.fromEntries(Object.entries(put).filter(([k]) => k !== l.key)))}
          />
        ))}
        {chosen.length === 0 && <p class="how">{w.none}</p>}
        <label class="limit-add">
          <span>{w.add}</span>
          <select
            value=""
            onChange={(e) => {
              const l = all.find((x) => x.key === e.currentTarget.value);
              e.currentTarget.value = "";
              if (l) setPut({ ...put, [l.key]: l.value === null ? "" : written(l.value, measureOf(l.unit, u)) });
            }}
          >
            <option value="">{w.addHow}</option>
            {all
              .filter((l) => !(l.key in put))
              .map((l) => (
                <option key={l.key} value={l.key}>
                  {named(l)}
                </option>
              ))}
          </select>
        </label>
        {others && <p class="limit-note">{w.alarmsOnly}</p>}
      </div>
      <div class="run">
        {running ? (
          <>
            <Progress done={fare.done} text={fare.done === null ? w.begins : w.running(Math.round(fare.done * 100))} />
            <Touch onTouch={() => stop.current?.abort()}>{w.cancel}</Touch>
          </>
        ) : fit && shown.live.value ? (
          <Touch class="run-touch" onTouch={() => void run()}>
            {w.run}
          </Touch>
        ) : (
          !shown.live.value && <p>{w.linkGone}</p>
        )}
        <p role="status" class="run-fare">
          {fare.how === "stopped" ? w.cancelled : fare.how === "trouble" ? w.trouble(fare.why) : ""}
        </p>
      </div>
      {fare.how === "here" && <Result r={fare.result} all={all} />}
    </>
  );
}

/** What a limit is, as a label. */
const named = (l: Limit): string => asSentence(l.title).replace(/\.$/, "");

interface MovedProps {
  readonly l: Limit;
  readonly text: string;
  readonly wrong: string;
  readonly stepsOf: (ids: readonly string[]) => string;
  readonly onText: (text: string) => void;
  readonly onAway: () => void;
}

/** A limit being moved: what it is, what is in force, what it takes, and what it is put to. */
function Moved({ l, text, wrong, stepsOf, onText, onAway }: MovedProps) {
  const m = measureOf(l.unit, units());
  const title = named(l);
  const id = `limit-${l.key}`;
  return (
    <div class="limit">
      <label for={id} class="limit-title">
        {title}
      </label>
      <span class="limit-put">
        <input
          id={id}
          type="text"
          inputMode="decimal"
          autocomplete="off"
          value={text}
          aria-describedby={`${id}-note`}
          aria-invalid={wrong !== ""}
          onInput={(e) => onText(e.currentTarget.value)}
        />
        <span>{m.unit}</span>
      </span>
      <span class="limit-note" id={`${id}-note`}>
        {wrong && <strong>{wrong} </strong>}
        {[
          l.value === null ? w.notInForce : w.inForce(written(l.value, m), m.unit),
          l.default === null ? w.byDefaultNone : l.default === l.value ? "" : w.byDefault(written(l.default, m), m.unit),
          w.range(written(l.min, m), written(l.max, m), m.unit),
        ]
          .filter(Boolean)
          .join("; ")}
        . {w.ofSteps(stepsOf(l.steps))} {w.source(l.source)}
      </span>
      <Touch label={w.takeAwayWhich(title)} onTouch={onAway}>
        {w.takeAway}
      </Touch>
    </div>
  );
}

function Progress({ done, text }: { done: number | null; text: string }) {
  return (
    <span class="progress" role="progressbar" aria-valuemin={0} aria-valuemax={100} aria-valuenow={done === null ? undefined : Math.round(done * 100)} aria-valuetext={text}>
      <span class="progress-bar" aria-hidden="true">
        <span style={{ width: `${100 * (done ?? 0)}%` }} />
      </span>
      <span>{text}</span>
    </span>
  );
}

function Result({ r, all }: { r: Rerun; all: readonly Limit[] }) {
  const u = units();
  const zone = shown.zone.value;
  const moves = r.limits.map((x) => {
    const m = measureOf(x.unit, u);
    return w.moved(all.find((l) => l.key === x.key)?.title ?? x.key, x.was === null ? w.noValue : written(x.was, m), written(x.now, m), m.unit);
  });
  return (
    <section class="rerun" aria-live="polite">
      <h3>{retold(r.text, u)}</h3>
      <p class="how">{`${w.moves}: ${moves.length > 0 ? moves.join("; ") : w.notMoved}.`}</p>
      <p class="how how-far">{`${r.faithful ? w.faithful : w.unfaithful} ${w.warning}`}</p>
      <p class="plot-key">
        {(["proven", "not-yet", "cannot-tell"] as const).map((v) => (
          <span key={v}>
            <Fill verdict={v} />
            {w.key[v]}
          </span>
        ))}
      </p>
      <Hatching id="rerun-not-yet" />
      <div class="rerun-lanes" role="list" aria-label={w.lanes}>
        <Times r={r} zone={zone} />
        {r.steps.map((s) => (
          <Lane key={s.step} s={s} r={r} zone={zone} />
        ))}
      </div>
    </section>
  );
}

/** The hours over the lanes. */
function Times({ r, zone }: { r: Rerun; zone: string }) {
  const [ref, size] = useSize<HTMLDivElement>();
  const [from, to] = [Date.parse(r.from), Date.parse(r.to)];
  const px = size.width / Math.max(1, to - from);
  const ticks = namedTicks(timeTicks(from, to, px, offset(from, zone)), px, 56);
  return (
    <div class="rerun-lane rerun-times" aria-hidden="true">
      <span />
      <span />
      <div class="rerun-bars" ref={ref}>
        {ticks
          .map((t) => ({ t, x: (t.t - from) * px }))
          .filter(({ x }) => x >= 22 && x <= size.width - 22)
          .map(({ t, x }) => (
            <span key={t.t} class="time" style={{ left: `${x}px` }}>
              {clock(t.t, zone)}
            </span>
          ))}
      </div>
    </div>
  );
}

function Lane({ s, r, zone }: { s: RerunStep; r: Rerun; zone: string }) {
  const [ref, size] = useSize<HTMLDivElement>();
  const [from, to] = [Date.parse(r.from), Date.parse(r.to)];
  const x = (t: number): number => ((t - from) / Math.max(1, to - from)) * size.width;
  const px = size.width / Math.max(1, to - from);
  const what = moved(s, r, (t) => clock(t, zone));
  const alike = same(s, r);
  return (
    <div class={alike ? "rerun-lane rerun-alike" : "rerun-lane"} role="listitem" data-step={s.step}>
      <p class="rerun-name">
        <strong>{s.title || s.step}</strong> <span>{what}</span>
        {s.why && <span class="rerun-why"> {retold(s.why, units())}</span>}
        {!s.faithful && r.faithful && <span class="rerun-why"> {w.unfaithfulStep}</span>}
      </p>
      <span class="rerun-label" aria-hidden="true">
        <span>{w.was}</span>
        <span>{w.now}</span>
      </span>
      <div class="rerun-bars" ref={ref} aria-hidden="true">
        {size.width > 0 && (
          <svg width={size.width} height="44">
            {timeTicks(from, to, px, offset(from, zone)).map((t) => (
              <line key={t.t} class={`at-${t.weight}`} x1={x(t.t)} x2={x(t.t)} y1="0" y2="44" />
            ))}
            {[s.was, s.now].map((segments, i) =>
              barsOf(segments, r).map((b) => (
                <rect key={`${i} ${b.from}`} class={`rerun-${b.verdict}`} x={x(b.from) + 0.7} y={i === 0 ? 4 : 25} width={Math.max(1.4, x(b.to) - x(b.from) - 1.4)} height={15} />
              )),
            )}
          </svg>
        )}
      </div>
    </div>
  );
}
