/**
 * The only way a view reads the state. Every function here knows that the link may
 * be dead and a reading old: what is not current is never given out as if it were.
 */
import { computed, signal, type ReadonlySignal } from "@preact/signals";
import { quietMs } from "../link/socket.ts";
import { judged, justSaid as saidHere, known, link, pastTrouble, sent, tick, traces, type Sent } from "./held.ts";
import { engineChosen } from "./own.ts";
import { leading, pressing } from "./alarmed.ts";
import { isKept } from "./known.ts";
import { emptyTrace, type Trace } from "./past.ts";
import type { Alarm, Ask, Engine, Forecast, Given, Onward, Reading, Reason, Shed, Stamp, State, Step, Verdict } from "./wire.ts";

/** True while what is known is current: the socket is open, something was heard of late, and no message is missing. */
export const live = computed<boolean>(() => {
  const l = link.value;
  const k = known.value;
  return l.open && l.heard !== null && tick.value - l.heard < quietMs && k.shed !== null && !k.torn;
});

/** Real seconds since anything was heard; null before the first message. */
export const heardAgo = computed<number | null>(() => {
  const h = link.value.lastHeard;
  return h === null ? null : Math.max(0, Math.floor((tick.value - h) / 1000));
});

/** The newest time heard from the daemon. It stops with the link. */
export const now = computed<number | null>(() => known.value.at);

/** True while all that is shown was heard before the page was opened. */
export const kept = computed<boolean>(() => isKept(known.value));

export const shed = computed<Shed | null>(() => known.value.shed);
export const zone = computed<string>(() => known.value.shed?.timezone || "UTC");
export const engines = computed<readonly Engine[]>(() => known.value.engines);

export const engine = computed<Engine | null>(() => {
  const all = known.value.engines;
  return all.find((e) => e.id === engineChosen.value) ?? all[0] ?? null;
});

/** The id of the engine looked at; empty while there is none. It changes only when another is chosen. */
export const engineId = computed<string>(() => engine.value?.id ?? "");

const state = computed<State | null>(() => known.value.states[engine.value?.id ?? ""] ?? null);

/** Length of the past that is drawn, and in how many points it is asked for. Set by the sheet. */
export const view = signal<{ readonly minutes: number; readonly points: number }>({ minutes: 90, points: 500 });

// What follows is asked in small parts: one that a message left alone keeps its identity,
// and nothing that reads it alone is drawn again.
const none: readonly never[] = [];
const channels = computed<State["channels"]>(() => state.value?.channels ?? {});
const steps = computed<readonly Step[]>(() => state.value?.steps ?? none);

/** The channels whose curves the sheet draws, as one word, which changes only when they do. */
export const channelsDrawnKey = computed<string>(() => {
  const e = engine.value;
  if (!e) return "";
  const all = new Set([...e.measured, ...Object.keys(channels.value)]);
  return [...all].filter((c) => c === "boiler.pressure" || c === "firebox" || c.startsWith("boiler.shell.")).sort().join();
});

export const channelsDrawn = computed<readonly string[]>(() => channelsDrawnKey.value.split(",").filter(Boolean));

const stepKey = computed<string>(() => steps.value.map((s) => s.id).join());

/** The ids of the steps in working order. They are what the engine is, not how it is now. */
export const stepIds = computed<readonly string[]>(() => stepKey.value.split(",").filter(Boolean));

const each = new Map<string, ReadonlySignal<Step | undefined>>();

function stepOf(id: string): Step | undefined {
  let s = each.get(id);
  if (!s) each.set(id, (s = computed(() => steps.value.find((x) => x.id === id))));
  return s.value;
}

/** What a person is told beside a step, the first the one that matters most. It goes for a dead link too. */
export const cautions = (id: string): readonly string[] => known.value.shed?.cautions[id] ?? [];

export const stepTitle = (id: string): string => stepOf(id)?.title || id;

/** A dead link shows no verdict as current, nor does a state that lacks the step. */
export const verdict = (id: string): Verdict => (live.value ? (stepOf(id)?.verdict ?? "cannot-tell") : "cannot-tell");

/** When the verdict shown became what it is; null while none is current. */
export const since = (id: string): number | null => (live.value ? time(stepOf(id)?.since) : null);

/** When the deed was done: it stays done, whether the link lives or not. */
export const done = (id: string): number | null => time(stepOf(id)?.done);

/** The evidence of a step; without a link each is cannot-tell, and its sentence is withheld with it. */
export const reasons = (id: string): readonly Reason[] => {
  const all = stepOf(id)?.because ?? [];
  return live.value ? all : all.map((r) => ({ ...r, verdict: "cannot-tell", text: "" }));
};

/** The reason that matters: what cannot be told before what is not yet; null where all is proven. */
export const worst = (all: readonly Reason[]): Reason | null =>
  all.find((r) => r.verdict === "cannot-tell") ?? all.find((r) => r.verdict === "not-yet") ?? all.find((r) => r.verdict !== "proven") ?? null;

/** The step in front; null where none is. */
export const front = computed<string | null>(() => state.value?.front || null);
export const phase = computed<State["phase"] | null>(() => state.value?.phase ?? null);

/** When the disposal that is open, or was last, began. */
export const begun = computed<number | null>(() => time(state.value?.disposal?.begun));
export const ended = computed<number | null>(() => time(state.value?.disposal?.ended));

/** Nothing is asked of anybody while nothing is heard. */
export const asks = computed<readonly Ask[]>(() => (live.value ? (state.value?.asks ?? none) : none));
export const given = computed<readonly Given[]>(() => (live.value ? (state.value?.confirmations ?? none) : none));
export const forecasts = computed<readonly Forecast[]>(() => (live.value ? (state.value?.forecasts ?? none) : none));

/** The state as far as it is current: null on a dead link. */
export const current = computed<State | null>(() => (live.value ? state.value : null));

/** The alarms that want a person, the most pressing first; without a link none is known to stand. */
export const alarms = computed<readonly Alarm[]>(() => pressing(raised.value));
const raised = computed<readonly Alarm[]>(() => current.value?.alarms ?? none);

/** The alarm that takes the sentence over the sheet. */
export const leadingAlarm = computed<Alarm | null>(() => leading(alarms.value));

/** Those that wanted a person when the shed was last heard: for a dead link alone, and to be told as past. */
export const alarmsThen = computed<readonly Alarm[]>(() => (live.value ? [] : pressing(state.value?.alarms ?? [])));

/** A limit of the engine by its key; undefined where the owner has set none. */
export const mark = (key: string): number | undefined => {
  const v = engine.value?.marks[key];
  return typeof v === "number" && Number.isFinite(v) ? v : undefined;
};

/** A reading as it may be shown: full only while it is current. */
export type Figure =
  | { readonly kind: "none" }
  | { readonly kind: "lost"; readonly why: string; readonly age: number }
  | { readonly kind: "outline"; readonly value: number; readonly uncertainty: number; readonly age: number; readonly why: string }
  | { readonly kind: "full"; readonly value: number; readonly uncertainty: number };

/** Judges one reading at time `at` (ms), with the link alive or not; `quiet` is how long it has been silent, in s. */
export function figureOf(r: Reading | undefined, at: number | null, alive: boolean, quiet: number): Figure {
  if (!r) return { kind: "none" };
  const of = Date.parse(r.at);
  const age = at !== null && Number.isFinite(of) ? Math.max(0, (at - of) / 1000, alive ? 0 : quiet) : Infinity;
  const why = r.quality === "good" ? "" : r.reason || r.quality;
  if (r.value === null || !Number.isFinite(r.value) || r.quality === "bad") return { kind: "lost", why, age };
  const { value, uncertainty } = r;
  if (alive && !r.stale && r.quality === "good" && age <= r.fresh_s) return { kind: "full", value, uncertainty };
  return { kind: "outline", value, uncertainty, age, why };
}

export const figure = (channel: string): Figure =>
  figureOf(channels.value[channel], now.value, live.value, heardAgo.value ?? Infinity);

/** The hottest of the shell's channels, since that is the one that matters; an outline where any of them is not current. */
export const hottestShell = (): Figure => {
  const all = channelsDrawn.value.filter((c) => c.startsWith("boiler.shell.")).map(figure);
  const first = all.find((f) => f.kind === "lost") ?? { kind: "none" };
  const told = all.filter((f) => f.kind === "full" || f.kind === "outline");
  const most = told.reduce<(typeof told)[number] | null>((a, b) => (a === null || b.value > a.value ? b : a), null);
  if (!most) return first;
  const behind = all.find((f) => f.kind !== "full");
  if (most.kind === "outline" || !behind) return most;
  const why = "why" in behind ? behind.why : "";
  return { ...most, kind: "outline", age: "age" in behind ? behind.age : Infinity, why };
};

/** The shell's channels, the one that reads hottest first: its curve carries the figure. */
export const shellsHottestFirst = computed<readonly string[]>(() => {
  const value = (c: string): number => channels.value[c]?.value ?? -Infinity;
  return channelsDrawn.value.filter((c) => c.startsWith("boiler.shell.")).sort((a, b) => value(b) - value(a));
});

/** The past is what it was judged to be then: it stays, with the link or without. */
export const trace = (channel: string): Trace => traces.value[channel] ?? emptyTrace;
export const segments = (step: string): readonly Onward[] => judged.value.segments[step] ?? [];
export const stamps = computed<readonly Stamp[]>(() => judged.value.stamps);
export const pastMissing = computed<string>(() => pastTrouble.value);

/** What tells one ask from another. */
export const askKey = (a: Ask): string => a.confirm ?? a.say ?? a.question;

/** How a word sent from this page fares; undefined where none is on its way. */
export const sentOf = (key: string): Sent | undefined => sent.value[key];
export const allSent = computed<Readonly<Record<string, Sent>>>(() => sent.value);

/** The confirmation that an evidence is, or that stands in its place, while it stands. */
export const standing = (r: Reason): Given | undefined => given.value.find((g) => r.confirm !== undefined && g.confirm === r.confirm);

/** The first lane, not done before `t`, whose evidence the confirmation is: where its stamp belongs. */
export const laneOf = (confirm: string, t: number): string | null => {
  const all = steps.value.filter((s) => s.because.some((r) => r.confirm === confirm));
  return (all.find((s) => (time(s.done) ?? Infinity) >= t) ?? all.at(-1))?.id ?? null;
};

function time(s: string | undefined): number | null {
  const t = s === undefined ? NaN : Date.parse(s);
  return Number.isFinite(t) && t > 0 ? t : null;
}

/** What this device said of this engine a moment ago; nothing on a dead link. */
export const justSaid = computed(() => (live.value && saidHere.value?.engine === engineId.value ? saidHere.value : null));
