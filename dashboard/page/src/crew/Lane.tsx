/** A step as a lane: its past as it was judged, the word in the slot, what is ahead. */
import { place } from "../chart/stamps.ts";
import type { TimeScale } from "../chart/scale.ts";
import { stretches } from "../state/past.ts";
import * as shown from "../state/shown.ts";
import type { Forecast, Verdict } from "../state/wire.ts";
import { clock, when } from "../words/clock.ts";
import { initials, words } from "../words/en.ts";
import type { Row } from "./arrange.ts";
import { ahead, announced } from "./told.ts";

interface Props {
  readonly id: string;
  readonly x: TimeScale;
  readonly rem: number;
  readonly inFront: boolean;
  readonly open: boolean;
  readonly onTouch: (id: string) => void;
}

export function Lane({ id, x, rem, inFront, open, onTouch }: Props) {
  const done = shown.done(id);
  const height = inFront ? 20 : done !== null ? 11 : 15;
  return (
    <div class={`row lane${inFront ? " lane-front" : ""}${done !== null ? " lane-done" : ""}`}>
      <button
        type="button"
        class="lane-touch"
        aria-expanded={open}
        aria-controls={`reasons-${id}`}
        aria-label={announced(id)}
        onClick={() => onTouch(id)}
      />
      <div class="name" aria-hidden="true">
        <Arrow down={open} />
        <span>{shown.stepTitle(id)}</span>
      </div>
      <div class="past" aria-hidden="true">
        <Bar id={id} x={x} height={height} />
        {done === null && <Stamps id={id} x={x} rem={rem} />}
      </div>
      <div class="slot" aria-hidden="true">
        <span class="word">{done !== null ? words.done(clock(done, shown.zone.value)) : words.verdict[shown.verdict(id)]}</span>
      </div>
      <div class="ahead" aria-hidden="true">
        <Ahead id={id} x={x} />
      </div>
    </div>
  );
}

/** Names that have room in a folded row; the rest are counted. */
const foldNames = 3;

/** Several lanes in one row: their bars thin and on top of each other, their names together. */
export function Fold({ row, x, onOpen }: { row: Extract<Row, { kind: "fold" }>; x: TimeScale; onOpen: () => void }) {
  const names = row.ids.map(shown.stepTitle).join(", ");
  const first = row.which === "done" ? row.ids.slice(-foldNames) : row.ids.slice(0, foldNames);
  const more = row.ids.length - first.length;
  const shortly = more > 1 ? words.andMore(first.map(shown.stepTitle).join(", "), more) : names;
  const each = Math.min(11, Math.floor(34 / row.ids.length));
  const last = Math.max(...row.ids.map((id) => shown.done(id) ?? 0));
  return (
    <div class={`row lane lane-fold${row.which === "done" ? " lane-done" : ""}`}>
      <button
        type="button"
        class="lane-touch"
        aria-expanded={false}
        aria-label={`${row.which === "done" ? words.doneLanes(names) : words.laterLanes(names)}. ${row.ids.map(announced).join("; ")}`}
        onClick={onOpen}
      />
      <div class="name" aria-hidden="true">
        <Arrow down={false} />
        <span>{shortly}</span>
      </div>
      <div class="past" aria-hidden="true">
        {row.ids.map((id) => (
          <Bar key={id} id={id} x={x} height={Math.max(4, each - 3)} />
        ))}
      </div>
      <div class="slot" aria-hidden="true">
        {row.which === "done" ? (
          <span class="word">{words.done(clock(last, shown.zone.value))}</span>
        ) : (
          (["cannot-tell", "not-yet", "proven"] as const)
            .map((v) => [v, row.ids.filter((id) => shown.done(id) === null && shown.verdict(id) === v).length] as const)
            .filter(([, n]) => n > 0)
            .map(([v, n]) => (
              <span class="word" key={v}>
                {words.count(n, words.verdict[v])}
              </span>
            ))
        )}
      </div>
      <div class="ahead" aria-hidden="true" />
    </div>
  );
}

function Arrow({ down }: { down: boolean }) {
  return (
    <svg class="arrow" width="14" height="14" viewBox="0 0 14 14">
      <path d={down ? "M0,3h14l-7,8z" : "M3,1v12l7,-6z"} />
    </svg>
  );
}

const fill: Record<Verdict, string> = { "proven": "bar-proven", "not-yet": "bar-not-yet", "cannot-tell": "bar-cannot-tell" };

function Bar({ id, x, height }: { id: string; x: TimeScale; height: number }) {
  const done = shown.done(id);
  const until = Math.min(done ?? x.now, x.now);
  const all = stretches(shown.segments(id), x.from, until);
  const mid = height / 2 + 1;
  return (
    <svg class="bar" height={height + 2} width={x.pastWidth}>
      {all.map((s) => {
        const a = x.past(s.from);
        const b = x.past(s.to);
        if (b - a < 0.4) return null;
        const inset = s.verdict === "proven" ? 0 : 0.9;
        return (
          <rect
            key={s.from}
            class={fill[s.verdict]}
            x={a + inset}
            y={1 + inset}
            width={Math.max(0.4, b - a - 2 * inset)}
            height={height - 2 * inset}
          />
        );
      })}
      {done !== null && done < x.now && (
        <line class="after-done" x1={Math.max(0, x.past(done))} x2={x.pastWidth} y1={mid} y2={mid} />
      )}
    </svg>
  );
}

/** Characters of the stamps' lettering are about this wide, in rem, and the box's margins together. */
const charRem = 0.46;
const boxRem = 0.9;

function Stamps({ id, x, rem }: { id: string; x: TimeScale; rem: number }) {
  const zone = shown.zone.value;
  const told = shown.stamps.value
    .map((s) => ({ ...s, at: Date.parse(s.t) }))
    .filter((s) => s.subject && s.at > x.from && s.at <= x.now && shown.laneOf(s.subject, s.at) === id)
    .flatMap((s) => {
      const what = words.stamp[s.subject ?? ""] ?? s.subject ?? "";
      if (s.kind === "confirmed") return [{ at: s.at, text: words.stamped(what, initials(s.by ?? ""), clock(s.at, zone)), sent: false }];
      if (s.kind === "lapsed") return [{ at: s.at, text: words.stamped(what, "", words.lapsed), sent: false }];
      if (s.kind === "withdrawn") return [{ at: s.at, text: words.stamped(what, "", words.takenBack), sent: false }];
      return [];
    });
  const waiting = Object.entries(shown.allSent.value)
    .filter(([key, s]) => s.how === "sent" && shown.laneOf(key, x.now) === id)
    .map(([key]) => ({ at: x.now, text: words.stamped(words.stamp[key] ?? key, "", words.waitingToBeRecorded), sent: true }));
  const all = [...told, ...waiting].sort((a, b) => a.at - b.at);
  const changes = stretches(shown.segments(id), x.from, x.now).map((s) => x.past(s.from));
  const placed = place(
    all.map((s) => ({ x: x.past(s.at), width: (s.text.length * charRem + boxRem) * rem })),
    changes,
    x.pastWidth,
  );
  return (
    <>
      {all.map((s, i) => {
        const p = placed[i];
        if (!p) return null;
        return (
          <>
            {p.box !== null && (
              <span class={`stamp${s.sent ? " stamp-sent" : ""}`} style={{ left: `${p.box}px`, width: `${p.width}px` }}>
                {s.text}
              </span>
            )}
            <span class={`stamp-tick${s.sent ? " stamp-sent" : ""}`} style={{ left: `${p.x}px` }} />
          </>
        );
      })}
    </>
  );
}

/** Which forecast tells when a lane becomes proven, and which when it ends. */
const forecastOf: Record<string, string> = { "house": "house", "move-under-steam": "steam-to-move", "seal-dry": "barrel-dry" };

function Ahead({ id, x }: { id: string; x: TimeScale }) {
  if (shown.done(id) !== null) return null;
  const verdict = shown.verdict(id);
  const f = shown.forecasts.value.find((f) => f.forecast === forecastOf[id] && f.assuming === "as-is");
  const eta = f?.eta ? Date.parse(f.eta) : NaN;
  const ends = f?.forecast === "steam-to-move";
  if (f && Number.isFinite(eta) && ends === (verdict === "proven")) return <Open f={f} eta={eta} ends={ends} x={x} />;
  if (f && f.eta === null && f.text && verdict === "not-yet") return <span class="ahead-words">{f.text}</span>;
  return <span class="ahead-words">{ahead(id)}</span>;
}

function Open({ eta, ends, x }: { f: Forecast; eta: number; ends: boolean; x: TimeScale }) {
  const at = x.ahead(eta);
  const t = when(eta, shown.now.value, shown.zone.value);
  if (ends) return <span class="open-bar" style={{ left: "0" }}>{words.untilAbout(t)}</span>;
  if (at > x.aheadWidth - 60) {
    return (
      <>
        <span class="ahead-words">{words.about(t)}</span>
        <svg class="beyond" width="12" height="16" viewBox="0 0 12 16">
          <path d="M1,1l9,7l-9,7" />
        </svg>
      </>
    );
  }
  return <span class="open-bar" style={{ left: `${Math.max(0, at)}px` }}>{words.about(t)}</span>;
}
