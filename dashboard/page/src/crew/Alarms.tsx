/**
 * Alarms: the most pressing as a line between the sentence and the sheet, where it
 * lies on nothing, all of them as a list that is opened. Each is a sentence with what
 * to do and how long there is; what is out of the way is told with its reason, so
 * that nothing is hidden.
 */
import { signal } from "@preact/signals";
import { useState } from "preact/hooks";
import { Form } from "../parts/Form.tsx";
import { Touch } from "../parts/Touch.tsx";
import { acknowledge, shelve, unshelve } from "../link/send.ts";
import { actUntil, shelves, stands, wantsWord } from "../state/alarmed.ts";
import { bearing, findings, quiet } from "../state/rest.ts";
import * as shown from "../state/shown.ts";
import type { Alarm } from "../state/wire.ts";
import { clock, lasting, when } from "../words/clock.ts";
import { asSentence, words } from "../words/en.ts";
import { retold } from "../words/units.ts";
import { Held } from "./Held.tsx";
import { Repairs } from "./Repairs.tsx";
import { units } from "./told.ts";
import { speaker } from "./Who.tsx";
import { Word } from "./Word.tsx";

/** Whether the list is open. */
export const listed = signal(false);

const listId = "alarm-list";

/** Opens the list; its words count what is in it. */
export function Opener({ class: more }: { class?: string }) {
  const q = quiet.value;
  const told = [
    words.alarmCount(shown.alarms.value.length),
    words.shelvedCount(q.filter((a) => a.state === "shelved").length),
    words.outCount(q.filter((a) => a.state === "out-of-service").length),
    words.sensorCount(findings.value.length),
  ];
  return (
    <Touch class={`opener${more ? ` ${more}` : ""}`} expanded={listed.value} onTouch={() => (listed.value = !listed.value)}>
      {told.filter(Boolean).join(", ")}
    </Touch>
  );
}

/** The most pressing alarm; nothing where none wants a person. */
export function AlarmLine() {
  const then = shown.alarmsThen.value[0];
  if (!shown.live.value) {
    const t = shown.now.value;
    if (!then || t === null) return null;
    return (
      <div class="alarm-line alarm-then">
        <p>{words.stoodThen(clock(t, shown.zone.value), `${then.title}. ${then.action}`)}</p>
      </div>
    );
  }
  const a = shown.alarms.value[0];
  if (!a) return null;
  const led = shown.leadingAlarm.value?.id === a.id;
  return (
    <section class={`alarm-line alarm-${stands(a) ? "stands" : "over"}`} aria-label={words.alarmList.standing}>
      <Strokes of={a.priority} />
      <div class="alarm-words">
        <p class="alarm-what">
          {/* What the sentence over the sheet says already is not said twice. */}
          {!led && <strong>{`${a.title}. `}</strong>}
          {!led && `${ended(a)} `}
          {stands(a) && <strong>{a.action}</strong>}
        </p>
        <p class="alarm-more">{[stands(a) ? time(a) : "", stateOf(a), a.unseen ? words.unseen : ""].filter(Boolean).join(" ")}</p>
      </div>
      {wantsWord(a) && <Seen key={a.id} a={a} />}
      <Opener />
    </section>
  );
}

function Seen({ a }: { a: Alarm }) {
  const over = !stands(a);
  return (
    <Word
      of={`seen ${a.id}`}
      question={over ? words.alarmSeenOver : words.alarmSeen}
      note={over ? words.hasSeenOver : words.hasSeen}
      onHeld={(who) => acknowledge(a.id, who)}
    />
  );
}

/** How much it matters: one stroke, two or three, with the word. */
function Strokes({ of }: { of: Alarm["priority"] }) {
  const n = { low: 1, medium: 2, high: 3 }[of];
  return (
    <div class={`strokes strokes-${of}`}>
      <svg width="34" height="30" viewBox="0 0 34 30" aria-hidden="true">
        {[0, 1, 2].map((i) => (
          <rect key={i} class={i < n ? "stroke" : "stroke-none"} x={1.5 + 11 * i} y="1.5" width="8" height="27" />
        ))}
      </svg>
      <span>{words.priority[of]}</span>
    </div>
  );
}

const at = (t: string): string => when(Date.parse(t), shown.now.value, shown.zone.value);

/** The daemon's sentence in the person's units. */
const ended = (a: Alarm): string => retold(asSentence(a.text), units());

/** How long there is to act. */
function time(a: Alarm): string {
  const until = actUntil(a);
  const now = shown.now.value;
  const long = lasting(a.respond_s);
  if (until === null || now === null) return a.respond_s > 0 ? words.timeToAct(long) : "";
  const by = when(until, now, shown.zone.value);
  return until >= now ? words.actBy(by, long) : words.actLate(by, lasting((now - until) / 1000));
}

/** The state as a word, with who brought it about. */
function stateOf(a: Alarm): string {
  const word = words.alarmState[a.state];
  const told = a.state === "acknowledged" && a.by ? words.stateBy(word, a.by, at(a.t)) : words.stateSince(word, at(a.t));
  return asSentence(told);
}

/** All alarms, the findings on sensors, and how the alarms are borne. */
export function AlarmList() {
  if (!listed.value || !shown.live.value) return null;
  const all = shown.alarms.value;
  const away = quiet.value;
  const zone = shown.zone.value;
  return (
    <section class="list" id={listId} aria-label={words.alarmList.name}>
      <div class="list-head">
        <h2>{words.alarmList.standing}</h2>
        <Touch onTouch={() => (listed.value = false)}>{words.alarmList.close}</Touch>
      </div>
      {all.length === 0 && <p class="list-none">{words.alarmList.none}</p>}
      {all.map((a) => (
        <Entry key={a.id} a={a} />
      ))}
      {away.length > 0 && <h2>{words.alarmList.quiet}</h2>}
      {away.map((a) => (
        <div key={a.id} class="list-row list-quiet">
          <span class="list-name">{a.title}</span>
          <span class="list-text">
            {a.state === "shelved"
              ? words.shelvedUntil(a.by ?? words.unnamed, a.until ? at(a.until) : "", a.text)
              : [words.alarmState[a.state], a.text].filter(Boolean).join(": ")}
          </span>
          {a.state === "shelved" && <Unshelve a={a} />}
        </div>
      ))}
      <Held />
      <h2>{words.alarmList.sensors}</h2>
      {findings.value.length === 0 && <p class="list-none">{words.alarmList.noFinding}</p>}
      {findings.value.map((f) => (
        <p key={`${f.channel ?? ""} ${f.node ?? ""} ${f.kind}`} class="list-finding">
          {words.finding(retold(f.text, units()), when(Date.parse(f.since), shown.now.value, zone))}
        </p>
      ))}
      <h2>{words.rest.repairs}</h2>
      <Repairs />
      <Borne />
    </section>
  );
}

function Entry({ a }: { a: Alarm }) {
  return (
    <div class={`entry entry-${stands(a) ? "stands" : "over"}`}>
      <Strokes of={a.priority} />
      <div class="alarm-words">
        <p class="alarm-what">
          <strong>{a.title}. </strong>
          {ended(a)}
        </p>
        <p class="alarm-do">
          <strong>{a.action}</strong> {stands(a) && time(a)}
        </p>
        <p class="alarm-more">
          {[stateOf(a), a.unseen ? words.unseen : "", words.ifNobody(a.consequence)].filter(Boolean).join(" ")}
        </p>
      </div>
      <div class="entry-does">
        {wantsWord(a) && <Seen a={a} />}
        <Shelve a={a} />
      </div>
    </div>
  );
}

/** Puts an alarm aside: why, for how long, and then a press. */
function Shelve({ a }: { a: Alarm }) {
  const [open, setOpen] = useState(false);
  const [why, setWhy] = useState(words.shelveReasons[0] ?? "");
  const all = shelves(a);
  const [minutes, setMinutes] = useState(all[0] ?? 0);
  if (all.length === 0) return <p class="list-none">{words.notShelved}</p>;
  if (!open) {
    return (
      <Touch label={words.shelveWhich(a.title)} expanded={false} onTouch={() => setOpen(true)}>
        {words.shelve}
      </Touch>
    );
  }
  return (
    <Form>
      <div class="choice" role="group" aria-label={words.shelveWhy}>
        <span class="choice-name">{words.shelveWhy}</span>
        {words.shelveReasons.map((w) => (
          <Touch key={w} pressed={w === why} onTouch={() => setWhy(w)}>
            {w}
          </Touch>
        ))}
      </div>
      <div class="choice" role="group" aria-label={words.shelveFor}>
        <span class="choice-name">{words.shelveFor}</span>
        {all.map((m) => (
          <Touch key={m} pressed={m === minutes} onTouch={() => setMinutes(m)}>
            {lasting(m * 60)}
          </Touch>
        ))}
        <Touch onTouch={() => setOpen(false)}>{words.rest.cancel}</Touch>
      </div>
      <Word
        of={`shelf ${a.id}`}
        question={words.shelveAsk(a.title, lasting(minutes * 60))}
        note={(who) => words.shelveNote(who, why)}
        onHeld={(who) => shelve(a.id, why, minutes, who)}
      />
    </Form>
  );
}

function Unshelve({ a }: { a: Alarm }) {
  const s = shown.sentOf(`shelf ${a.id}`);
  if (s?.how === "refused") return <span class="list-fare">{words.refused(s.text)}</span>;
  return (
    <Touch label={words.unshelveWhich(a.title)} onTouch={() => unshelve(a.id, speaker() || words.crew)}>
      {words.unshelve}
    </Touch>
  );
}

/** The measures of EEMUA 191, in sentences. */
function Borne() {
  const b = bearing.value;
  if (!b) return null;
  const title = (watch: string): string => shown.current.value?.alarms.find((a) => a.watch === watch)?.title ?? watch;
  const titles = (all: readonly string[]): string => all.map(title).join(", ");
  const w = words.bearing;
  return (
    <p class="borne">
      <strong>{words.alarmList.bearing}. </strong>
      {[
        w.raised(b.raised),
        w.rate(b.per_ten_min.toFixed(1), b.last_ten_min, b.peak_ten_min),
        b.flood ? w.flood : w.floods(b.floods),
        b.chattering.length > 0 ? w.chattering(titles(b.chattering)) : "",
        b.stale.length > 0 ? w.stale(titles(b.stale)) : "",
      ]
        .filter(Boolean)
        .join(" ")}
    </p>
  );
}
