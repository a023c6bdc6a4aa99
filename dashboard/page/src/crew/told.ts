/** What the page says of the engine, as words. Pure but for the signals that it reads. */
import { pressureUnit, temperatureUnit, type Units } from "../state/own.ts";
import * as shown from "../state/shown.ts";
import type { Reason, Step } from "../state/wire.ts";
import { clock, clockSeconds, dayClock, lasting } from "../words/clock.ts";
import { asSentence, within, words } from "../words/en.ts";
import { retold } from "../words/units.ts";

export const units = (): Units => ({ pressure: pressureUnit.value, temperature: temperatureUnit.value });

export interface Sentence {
  readonly head: string;
  readonly reason: string;
  readonly second: string;
  /** True for an alarm: the one thing that is warm. */
  readonly alarm: boolean;
  /** True for an alarm that nobody has seen. */
  readonly unseen: boolean;
}

const told = (head: string, reason: string, second = ""): Sentence => ({ head, reason, second, alarm: false, unseen: false });

/** The sentence over the sheet: the step in front, its verdict, the one reason that matters. */
export function sentence(): Sentence {
  const quiet = shown.heardAgo.value;
  const id = shown.front.value;
  if (!shown.live.value) {
    const head = id ? words.sentence(shown.stepTitle(id), words.verdict["cannot-tell"]) : words.neverHeard;
    if (quiet === null) return told(words.neverHeard, words.neverHeardReason);
    return told(id ? head : words.sentence(shown.engine.value?.name ?? "", words.verdict["cannot-tell"]), words.lost(lasting(quiet)));
  }
  if (!shown.engine.value) return told(words.noEngine, words.noEngineReason);
  const step = id ? stepSentence(id) : told(words.noFront[shown.phase.value ?? ""] ?? words.noFront["cooling"] ?? "", words.noFrontReason);
  const alarm = shown.leadingAlarm.value;
  if (!alarm) return step;
  // What to do stands in the alarm's own line, unless another needs that.
  const act = shown.alarms.value[0]?.id === alarm.id ? "" : ` ${alarm.action}`;
  return {
    head: words.alarm[alarm.watch] ?? `${alarm.title || alarm.watch}.`,
    reason: retold(asSentence(alarm.text), units()) + act,
    second: [step.head, step.reason].join(" "),
    alarm: true,
    unseen: alarm.state === "unacknowledged",
  };
}

function stepSentence(id: string): Sentence {
  const verdict = shown.verdict(id);
  const head = words.sentence(shown.stepTitle(id), words.verdict[verdict]);
  const all = shown.reasons(id);
  if (verdict === "proven") {
    const since = shown.since(id);
    const now = shown.now.value;
    const for_ = since !== null && now !== null ? words.provenFor(lasting((now - since) / 1000)) : "";
    const what = all.map((r, i) => (i === 0 && !for_ ? r.title : within(r.title))).join(", ");
    const look = words.look[id];
    return told(head, `${for_}${what}.`, look ? words.stillToLook(look) : "");
  }
  const r = shown.worst(all);
  return told(head, r ? why(r) : words.noReasons);
}

/** A reason's sentence in the person's units. */
export const why = (r: Reason): string => (r.text ? retold(r.text, units()) : `${r.title}: ${words.verdict[r.verdict]}.`);

/** What stands right of now in a lane that no forecast reaches. */
export function ahead(step: Step["id"]): string {
  if (!shown.live.value || shown.done(step) !== null) return "";
  const verdict = shown.verdict(step);
  const all = shown.reasons(step);
  if (verdict === "proven") {
    const lapse = all
      .map((r) => ({ r, until: Date.parse(shown.standing(r)?.until ?? "") }))
      .filter((x) => Number.isFinite(x.until))
      .sort((a, b) => a.until - b.until)[0];
    if (!lapse || lapse.until - (shown.now.value ?? 0) > 60 * 60_000) return words.whileHolds;
    return words.lapsesWith(words.stamp[lapse.r.confirm ?? ""] ?? within(lapse.r.title), clock(lapse.until, shown.zone.value));
  }
  const r = shown.worst(all);
  if (!r) return "";
  if (r.verdict === "not-yet") return words.waitsFor(words.waits[r.evidence] ?? within(r.title));
  return words.whereToLook(within(r.title));
}

/** How a lane announces itself: "Plugs out, not yet, waits for the vent". */
export function announced(step: Step["id"]): string {
  const done = shown.done(step);
  const now = done !== null ? words.done(clock(done, shown.zone.value)) : words.verdict[shown.verdict(step)];
  return [shown.stepTitle(step), now, ahead(step)].filter(Boolean).join(", ");
}

/** How long ago the engine was heard, as words. */
export function heard(): string {
  const s = shown.heardAgo.value;
  if (s === null) return words.notHeard;
  return s < 1 && shown.live.value ? words.heardNow : words.heardAgo(lasting(s));
}

/** Silence from which on a time needs its day, and its age beside it, in s. */
const longAgoS = 12 * 3600;
const aWhileS = 120;

export const lastHeard = (): string => {
  const t = shown.now.value;
  if (t === null) return "";
  const quiet = shown.heardAgo.value;
  const at = quiet !== null && quiet < longAgoS ? clockSeconds(t, shown.zone.value) : dayClock(t, shown.zone.value);
  return words.lastHeard(at, quiet !== null && quiet >= aWhileS ? lasting(quiet) : "");
};
