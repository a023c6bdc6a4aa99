/**
 * The shed as a list: what each engine's line says, and the order in which engines
 * want somebody. Pure. What is not current is cannot-tell, and no forecast is told
 * from it; whether anything is current is told by the caller, as `shown.ts` knows it.
 */
import { clock, day, when } from "../words/clock.ts";
import { custodianWords as w } from "../words/custodian.ts";
import { within, words } from "../words/en.ts";
import { pressing } from "./alarmed.ts";
import type { Alarm, Ask, Engine, Forecast, Reason, Reminder, State, Step, Verdict } from "./wire.ts";

/** When something is expected, in ms. */
export interface Window {
  readonly eta: number;
  readonly lo: number;
  readonly hi: number;
}

/** The statement that matters now, as it stands in the slot. */
export interface Statement {
  /** The step that it is; empty where there is none. */
  readonly id: string;
  readonly name: string;
  readonly verdict: Verdict;
  /** When the deed was done; null while it is not. It stays done on a dead link. */
  readonly done: number | null;
}

export interface Line {
  readonly id: string;
  readonly name: string;
  readonly statement: Statement;
  /** Where the forecast expects the statement; null where none is told. */
  readonly expected: Window | null;
  /** The channel whose curve stands over the statement. */
  readonly channel: string;
  readonly bold: string;
  readonly plain: string;
  /** The alarms that want a person, the most pressing first; none on a dead link. */
  readonly alarms: readonly Alarm[];
  /** When it wants somebody, in ms; Infinity where it does not. */
  readonly wants: number;
}

/** What the list is told beside the engines. */
export interface Around {
  /** The daemon's newest time, in ms; null before anything was heard. */
  readonly now: number | null;
  readonly zone: string;
  /** False where nothing is current. */
  readonly alive: boolean;
}

const dayMs = 86_400_000;

/** The lines of all engines, in the order in which they want somebody. */
export function shedLines(engines: readonly Engine[], states: Readonly<Record<string, State>>, a: Around): Line[] {
  return ordered(engines.map((e) => lineOf(e, states[e.id], a)));
}

/**
 * Engines with an alarm come first, the most pressing one foremost; then by the time
 * at which each wants somebody. Of equal ones the order of the configuration stays.
 */
export function ordered(lines: readonly Line[]): Line[] {
  const press = pressing(lines.flatMap((l) => l.alarms)).map((a) => a.id);
  const rank = (l: Line): number => (l.alarms[0] ? press.indexOf(l.alarms[0].id) : press.length);
  return lines
    .map((l, i) => ({ l, i }))
    .sort((a, b) => rank(a.l) - rank(b.l) || order(a.l.wants, b.l.wants) || a.i - b.i)
    .map((x) => x.l);
}

const order = (a: number, b: number): number => (a === b ? 0 : a < b ? -1 : 1);

const statement = (id: string, verdict: Verdict, done: number | null = null): Statement => ({
  id, name: (done !== null && id === "house" ? w.housed : w.statement[id]) ?? (id || w.unknown), verdict, done,
});

export function lineOf(e: Engine, s: State | undefined, a: Around): Line {
  const st = statementOf(s);
  const base = { id: e.id, name: e.name || e.id, channel: channelOf(e, s) };
  if (!a.alive || !s || a.now === null) {
    // What was done stays done; nothing else of what was heard is shown as if it were so.
    const then = s && !a.alive ? pressing(s.alarms)[0] : undefined;
    const t = a.now === null ? "" : clock(a.now, a.zone);
    return {
      ...base,
      statement: st.done !== null ? st : { ...st, verdict: "cannot-tell" },
      expected: null,
      bold: w.cannotTell,
      plain: then ? w.saidThen(t, `${then.title}.`) : s ? w.cannotTellQuiet : w.cannotTellNever,
      alarms: [],
      wants: Infinity,
    };
  }
  const expected = expectedOf(st, s.forecasts);
  const said = atRest(s) ? restSaid(s, st, expected, a.now, a.zone) : workSaid(s, st, expected, a.now, a.zone);
  return { ...base, statement: st, expected, ...said, alarms: pressing(s.alarms) };
}

const atRest = (s: State): boolean => s.phase === "housed" || s.phase === "laid-up";
const putAway = (s: State): boolean =>
  (s.disposal !== undefined && s.disposal.ended === undefined) || ["fire-dropped", "blowing-down", "emptied", "cooling"].includes(s.phase);

/** "house" while an engine is put away, "dry" while it dries at rest, else the step in front. */
function statementOf(s: State | undefined): Statement {
  if (!s) return statement("", "cannot-tell");
  const step = (id: string): Step | undefined => s.steps.find((x) => x.id === id);
  const of = (id: string): Statement => {
    const x = step(id);
    return x ? statement(id, x.verdict, time(x.done)) : statement(id, "cannot-tell");
  };
  if (atRest(s)) {
    const dry = step("seal-dry");
    return s.lay_up === "dry" && dry && !dry.done ? of("seal-dry") : of("house");
  }
  return putAway(s) || !s.front ? of("house") : of(s.front);
}

const forecastFor: Readonly<Record<string, string>> = { "house": "house", "seal-dry": "barrel-dry" };

/** A forecast only of what is not yet so: of what cannot be told no time is told. */
function expectedOf(st: Statement, all: readonly Forecast[]): Window | null {
  if (st.done !== null || st.verdict !== "not-yet") return null;
  const f = all.find((x) => x.forecast === forecastFor[st.id] && x.assuming === "as-is" && x.eta !== null);
  const eta = time(f?.eta ?? undefined);
  if (!f || eta === null) return null;
  return { eta, lo: time(f.lo) ?? eta, hi: time(f.hi) ?? eta };
}

/** The pressure until it is known to be zero, then the firebox; of an engine at rest its coldest steel. */
function channelOf(e: Engine, s: State | undefined): string {
  const has = (c: string): boolean => e.measured.includes(c) || s?.channels[c] !== undefined;
  const steel = ["boiler.shell.bottom", "boiler.shell.top"].find(has);
  if (s && atRest(s) && steel) return steel;
  const zero = s?.steps.some((x) => x.because.some((r) => r.evidence === "pressure-zero" && r.verdict === "proven")) ?? false;
  if (!zero && has("boiler.pressure")) return "boiler.pressure";
  return has("firebox") ? "firebox" : has("boiler.pressure") ? "boiler.pressure" : (steel ?? "");
}

interface Said {
  readonly bold: string;
  readonly plain: string;
  readonly wants: number;
}

const title = (s: State, st: Statement): string => s.steps.find((x) => x.id === st.id)?.title ?? st.name;

function workSaid(s: State, st: Statement, expected: Window | null, now: number, zone: string): Said {
  const step = s.steps.find((x) => x.id === st.id);
  const because = step?.because ?? [];
  const ask = s.asks.find((x) => x.now);
  const what = title(s, st);
  if (!putAway(s)) {
    const phase = s.phase === "lighting-up" ? w.lightingUp : w.inSteam;
    if (ask) return { bold: phase, plain: wantsWord(ask), wants: now };
    return { bold: phase, plain: w.notPutAway, wants: Infinity };
  }
  if (st.verdict === "proven") {
    const since = time(step?.since);
    const look = words.look[st.id];
    return { bold: w.proven(what, since === null ? "" : when(since, now, zone)), plain: ask ? wantsWord(ask) : look ? w.stillToLook(look) : "", wants: now };
  }
  if (st.verdict !== "not-yet") {
    const unknown = because.filter((r) => r.verdict === "cannot-tell");
    return { bold: w.stepCannotTell(what), plain: w.lookAt(listed(unknown.map((r) => within(r.title))) || within(what)), wants: now };
  }
  const waits = waitsFor(because);
  if (expected) {
    return { bold: between(w.readyBetween, w.readyAbout, expected, now, zone), plain: ask ? wantsWord(ask) : waits, wants: ask ? now : Math.max(now, expected.eta) };
  }
  if (ask) return { bold: w.wantsNow(ask.question), plain: waits || w.noTime, wants: now };
  return { bold: `${w.stepNotYet(what)} ${w.noTime}`, plain: waits, wants: Infinity };
}

const wantsWord = (ask: Ask): string => w.alsoWants(ask.question);

/** What only time settles is waited for before what a person's word settles. */
function waitsFor(because: readonly Reason[]): string {
  const open = because.filter((r) => r.verdict === "not-yet");
  const first = [...open.filter((r) => !r.confirm), ...open.filter((r) => r.confirm)];
  const names = [...new Set(first.map((r) => words.waits[r.evidence] ?? within(r.title)))];
  return names.length === 0 ? "" : w.waitsFor(listed(names));
}

/** The first name, and how many others there are. */
const listed = (names: readonly string[]): string => (names[0] === undefined ? "" : names.length === 1 ? names[0] : w.andOthers(names[0], names.length - 1));

/** One time alone where the interval is within the same minute. */
function between(whole: (t: string, a: string, b: string) => string, short: (t: string) => string, x: Window, now: number, zone: string): string {
  const [t, lo, hi] = [x.eta, Math.max(x.lo, now), x.hi].map((v) => when(v, now, zone)) as [string, string, string];
  return lo === hi || x.hi <= x.eta ? short(t) : whole(t, lo, hi);
}

function restSaid(s: State, st: Statement, expected: Window | null, now: number, zone: string): Said {
  const lies = liesHow(s, st, now, zone);
  const asked = s.rest.reminders[0];
  if (asked) {
    const due = time(asked.due);
    const what = reminded(asked);
    const old = due !== null && now - due > dayMs / 2;
    return { bold: old ? w.wantsSince(what, onDay(due, now, zone)) : w.wants(what), plain: lies, wants: Math.max(now, due ?? now) };
  }
  if (expected) return { bold: between(w.dryBetween, w.dryAbout, expected, now, zone), plain: lies, wants: Math.max(now, expected.eta) };
  const wanted = time(s.rest.wanted);
  if (wanted !== null) return { bold: w.nextWanted(onDay(wanted, now, zone)), plain: lies, wants: Math.max(now, wanted) };
  return { bold: w.nothingWanted, plain: lies, wants: Infinity };
}

/** The day of a time, or its clock time today. */
const onDay = (t: number, now: number, zone: string): string => (day(t, zone) === day(now, zone) && Math.abs(t - now) < dayMs ? clock(t, zone) : day(t, zone));

const reminded = (r: Reminder): string => `${w.reminder[r.id] ?? w.reminder[r.id.replace(/-\d+$/, "")] ?? r.text.replace(/\.$/, "")}.`;

/** How it lies: dry or not, dew, frost, and since when. */
function liesHow(s: State, st: Statement, now: number, zone: string): string {
  const l = w.lies;
  const r = s.rest;
  const dryProven = st.id === "seal-dry" && st.verdict === "proven";
  const lay = { short: l.withWater, wet: l.full, dry: dryProven ? l.dry : l.emptied } as Record<string, string>;
  const known = (v: number | undefined): v is number => v !== undefined && Number.isFinite(v);
  const dew = !known(r.margin_k) ? l.dewNot : r.margin_k <= 0 ? l.dew : l.noDew;
  const frost = !known(r.frost_margin_k) ? l.frostNot : r.frost_margin_k <= 0 ? l.frost : l.noFrost;
  const since = time(r.since);
  const rested = since === null ? "" : l.since(onDay(since, now, zone), l.days(Math.floor((now - since) / dayMs)));
  return `${[lay[s.lay_up] ?? l.notSaid, dew, frost, rested].filter(Boolean).join("; ")}.`;
}

/** Spans of the past that the strips step through, in minutes. */
const spans = [60, 120, 240, 480, 720];

/**
 * One span of time for all strips, in minutes of the past: the shortest whose right
 * side, `ratio` times as long, reaches the times that are told within it.
 */
export function spanFor(lines: readonly Line[], now: number, ratio: number): number {
  const longest = spans.at(-1) ?? 720;
  const all = lines.flatMap((l) => (l.expected ? [(l.expected.hi - now) / 60_000] : [])).filter((m) => m > 0 && m <= longest * ratio);
  const need = Math.max(60 * ratio, ...all) * 1.15;
  return Math.max(120, spans.find((m) => m * ratio >= need) ?? longest);
}

function time(s: string | null | undefined): number | null {
  const t = s == null ? NaN : Date.parse(s);
  return Number.isFinite(t) && t > 0 ? t : null;
}
