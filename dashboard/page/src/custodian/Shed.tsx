/** The custodian's view: every engine of the shed on one sheet, under one scale of time. */
import { signal } from "@preact/signals";
import { useEffect } from "preact/hooks";
import "../style/custodian.css";
import { namedTicks, timeScale, timeTicks, type TimeScale } from "../chart/scale.ts";
import { Failing } from "../frame/Failing.tsx";
import { Foot } from "../frame/Foot.tsx";
import { addressOf } from "../frame/place.ts";
import { useSize, useWindow } from "../parts/size.ts";
import { known } from "../state/held.ts";
import { shedLines, spanFor } from "../state/shedlist.ts";
import * as shown from "../state/shown.ts";
import { clock, day, lasting, offset, when } from "../words/clock.ts";
import { custodianWords as w } from "../words/custodian.ts";
import { heard } from "../crew/told.ts";
import { Entry } from "./Entry.tsx";
import { keepPasts, pastTrouble } from "./pasts.ts";
import { Hatch } from "./Strip.tsx";

/** Before the widths are measured; about a phone's. */
const firstWidth = { past: 170, ahead: 100 };

/** The order stays while a person's finger is down, so that nothing moves away under it, and while nothing is heard. */
const pressed = signal(false);
let orderThen: readonly string[] = [];

export function Shed() {
  const { rem } = useWindow();
  const [pastRef, past] = useSize<HTMLDivElement>();
  const [aheadRef, ahead] = useSize<HTMLDivElement>();
  const alive = shown.live.value;
  const now = shown.now.value;
  const zone = shown.zone.value;
  const pastWidth = past.width || firstWidth.past;
  const aheadWidth = ahead.width || firstWidth.ahead;

  const told = shedLines(shown.engines.value, known.value.states, { now, zone, alive });
  if ((!pressed.value && alive) || orderThen.length === 0) orderThen = told.map((l) => l.id);
  const nth = (id: string): number => (orderThen.includes(id) ? orderThen.indexOf(id) : orderThen.length);
  const lines = [...told].sort((a, b) => nth(a.id) - nth(b.id));

  const minutes = now === null ? 120 : spanFor(lines, now, aheadWidth / pastWidth);
  const x = timeScale(now ?? 0, minutes, pastWidth, aheadWidth);

  const key = told.map((l) => `${l.id} ${l.channel}`).sort().join("\n");
  useEffect(() => keepPasts(told.map(({ id, channel }) => ({ id, channel })), minutes), [key, minutes]);
  useEffect(() => {
    const down = (): void => void (pressed.value = true);
    const up = (): void => void (pressed.value = false);
    addEventListener("pointerdown", down);
    for (const e of ["pointerup", "pointercancel", "blur"]) addEventListener(e, up);
    return () => {
      removeEventListener("pointerdown", down);
      for (const e of ["pointerup", "pointercancel", "blur"]) removeEventListener(e, up);
      up();
    };
  }, []);

  const name = shown.shed.value?.name ?? "";
  return (
    <main class={`view shed${alive ? "" : " shed-lost"}`}>
      <div class="shed-head">
        <h1>{name ? w.heading(name) : w.headingNameless}</h1>
        <p class="shed-day">
          {now !== null && <span>{day(now, zone)}</span>}
          {alive && <strong>{heard()}</strong>}
        </p>
      </div>
      {!alive && <Quiet />}
      <Failing />
      {lines.length === 0 ? (
        alive && (
          <div class="shed-empty">
            <p>
              <strong>{w.empty}</strong> {w.emptyMend}
            </p>
            <p>
              <a class="shed-link" href={addressOf("set-up")}>
                {w.toSetUp}
              </a>
            </p>
          </div>
        )
      ) : (
        <>
          <div class="shed-row shed-scale" aria-hidden="true">
            <div class="shed-past" ref={pastRef}>
              {now !== null && <Times x={x} side="past" zone={zone} rem={rem} />}
            </div>
            <div class="shed-flag">{now === null ? "" : alive ? clock(now, zone) : w.heardAt(clock(now, zone))}</div>
            <div class="shed-ahead" ref={aheadRef}>
              {now !== null && alive && <Times x={x} side="ahead" zone={zone} rem={rem} />}
            </div>
          </div>
          <Hatch />
          <ol class="shed-list" aria-label={w.engines}>
            {lines.map((l) => (
              <Entry key={l.id} line={l} x={x} rem={rem} />
            ))}
          </ol>
          {alive && pastTrouble.value && <p class="shed-trouble">{w.pastMissing(pastTrouble.value)}</p>}
        </>
      )}
      <p>
        <a class="shed-link" href={addressOf("shed", "rings")}>
          {w.toRings}
        </a>
      </p>
      <Foot />
    </main>
  );
}

/** What is told while nothing is heard: since when, and what to do. */
function Quiet() {
  const quiet = shown.heardAgo.value;
  const t = shown.now.value;
  return (
    <div class="shed-quiet" role="status">
      {t !== null && <strong>{w.heardLast(when(t, null, shown.zone.value))}</strong>}{" "}
      {shown.kept.value ? `${w.keptHere} ` : ""}
      {quiet === null ? w.neverHeard : w.quiet(lasting(quiet))}
    </div>
  );
}

/** A name of a time is about so wide, in rem. */
const nameRem = 3.1;

function Times({ x, side, zone, rem }: { x: TimeScale; side: "past" | "ahead"; zone: string; rem: number }) {
  const [from, to] = side === "past" ? [x.from, x.now] : [x.now, x.to];
  const ticks = timeTicks(from, to, x.pxPerMs, offset(x.now, zone));
  const width = side === "past" ? x.pastWidth : x.aheadWidth;
  const half = (nameRem * rem) / 2;
  return (
    <>
      {namedTicks(ticks, x.pxPerMs, nameRem * rem)
        .map((t) => ({ t: t.t, at: side === "past" ? x.past(t.t) : x.ahead(t.t) }))
        .filter(({ at }) => at >= half * 0.8 && at <= width - half * 0.8)
        .map(({ t, at }) => (
          <span key={t} class="shed-time" style={{ left: `${at}px` }}>
            {clock(t, zone)}
          </span>
        ))}
    </>
  );
}
