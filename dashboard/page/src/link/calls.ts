/** The calls under /api/v1. Each throws an [Refusal] whose text can be shown as it is. */
import type { Ask, Lanes, Problem, Series } from "../state/wire.ts";
import { words } from "../words/en.ts";

/** Why a call did not do what it should, in words for the page. */
export class Refusal extends Error {}
/** The [Refusal] of a call to which nothing was answered. */
export class Silence extends Refusal {}

/** A call that has no answer after this long is given up. */
export const patienceMs = 8_000;

const base = new URL("api/v1/", document.baseURI);

/** The address of a call. */
export const addressOfCall = (path: string): string => new URL(path, base).href;

/** The address of the live link from message `after` on. */
export function liveAddress(after: number): string {
  const u = new URL("live", base);
  u.protocol = u.protocol === "https:" ? "wss:" : "ws:";
  if (after > 0) u.searchParams.set("after", String(after));
  return u.href;
}

/** One call, answered as JSON. */
export async function call(method: string, path: string, body?: unknown): Promise<unknown> {
  const answer = await ask(method, path, body, AbortSignal.timeout(patienceMs));
  return answer.status === 204 ? null : await answer.json();
}

/** One call as it is answered, for who reads the answer bit by bit; `until` gives it up. */
export async function ask(method: string, path: string, body: unknown, until: AbortSignal): Promise<Response> {
  let answer: Response;
  try {
    answer = await fetch(addressOfCall(path), {
      method,
      signal: until,
      ...(body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }),
    });
  } catch {
    throw silence();
  }
  if (answer.ok) return answer;
  throw refusal(answer.status, await answer.text().catch(() => ""));
}

/** That nothing was answered. */
export const silence = (): Silence => new Silence(words.noAnswer);

/** What an answer with this status and text says of why it does not do what it should. */
export function refusal(status: number, text: string): Refusal {
  let problem: Partial<Problem>;
  try {
    problem = JSON.parse(text) as Partial<Problem>;
  } catch {
    return new Refusal(words.refusedBare(status));
  }
  return new Refusal([problem.detail ?? problem.title ?? words.refusedBare(status), problem.mend].filter(Boolean).join(" "));
}

/** The path of a call about an engine. */
export const of = (engine: string, what: string): string => `engines/${encodeURIComponent(engine)}/${what}`;
const span = (from: number, to: number): string => `from=${new Date(from).toISOString()}&to=${new Date(to).toISOString()}`;

export async function series(engine: string, channel: string, from: number, to: number, points: number): Promise<Series> {
  const q = `channel=${encodeURIComponent(channel)}&${span(from, to)}&points=${Math.round(points)}`;
  return (await call("GET", of(engine, `series?${q}`))) as Series;
}

export async function lanes(engine: string, from: number, to: number): Promise<Lanes> {
  return (await call("GET", of(engine, `lanes?${span(from, to)}`))) as Lanes;
}

export async function confirm(engine: string, what: string, by: string): Promise<void> {
  await call("POST", of(engine, "confirmations"), { confirm: what, by });
}

export async function takeBack(engine: string, what: string, by: string): Promise<void> {
  await call("DELETE", of(engine, `confirmations/${encodeURIComponent(what)}?by=${encodeURIComponent(by)}`));
}

export async function say(engine: string, what: NonNullable<Ask["say"]>, by: string): Promise<void> {
  await call("POST", of(engine, "events"), said(what, by));
}

/** What a person says of a rest, or found to be repaired. */
export type RestWord =
  | { readonly repair: string; readonly done: boolean }
  /** RFC 3339, or "unknown". */
  | { readonly wanted: string }
  | { readonly looked_into: true };

export async function sayOfRest(engine: string, word: RestWord, by: string): Promise<void> {
  await call("POST", of(engine, "events"), { ...word, by });
}

const ofAlarm = (id: string, what: string): string => `alarms/${encodeURIComponent(id)}/${what}`;

export async function acknowledge(alarm: string, by: string): Promise<void> {
  await call("POST", ofAlarm(alarm, "acknowledge"), { by });
}

export async function shelve(alarm: string, why: string, minutes: number, by: string): Promise<void> {
  await call("POST", ofAlarm(alarm, "shelve"), { by, why, minutes });
}

export async function unshelve(alarm: string, by: string): Promise<void> {
  await call("POST", ofAlarm(alarm, "unshelve"), { by });
}

function said(what: NonNullable<Ask["say"]>, by: string): object {
  switch (what) {
    case "disposal-begin":
      return { disposal: "begin", by };
    case "disposal-end":
      return { disposal: "end", by };
    case "fire-lit":
      return { fire: "lit", by };
    default:
      return what satisfies never;
  }
}
