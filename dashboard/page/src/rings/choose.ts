/** What is chosen: that of the daemon with what was typed, whether it can be written down, and how it reads. */
import type { Alerts, Choice, Letter, Way } from "../link/rings.ts";
import { ringsWords as w } from "../words/rings.ts";
import type { Typed } from "./kept.ts";

/** What the fields show. */
export interface Shown extends Choice {
  readonly only: boolean;
  readonly quiet: boolean;
  readonly quiet_from: string;
  readonly quiet_to: string;
  readonly mail: string;
  readonly webhook: boolean;
}

/** The hours that are proposed to who has none yet. */
const proposed = { quiet_from: "22:00", quiet_to: "06:30" };

export function shownOf(c: Choice, t: Typed): Shown {
  const both = { ...c, ...t };
  return {
    ...both,
    only: t.only ?? c.engines.length > 0,
    quiet: t.quiet ?? Boolean(c.quiet_from),
    quiet_from: both.quiet_from || proposed.quiet_from,
    quiet_to: both.quiet_to || proposed.quiet_to,
    mail: both.mail ?? "",
    webhook: both.webhook ?? false,
  };
}

/** The choice as it is sent, or what is wrong with it in a sentence. */
export function choiceOf(s: Shown, here: readonly string[]): Choice | string {
  // An engine that left the shed meanwhile rings nobody, and would be refused.
  const engines = s.only ? s.engines.filter((e) => here.includes(e)) : [];
  if (s.only && engines.length === 0) return w.chosen.noEngine;
  if (s.quiet && (s.quiet_from === s.quiet_to || !s.quiet_from || !s.quiet_to)) return w.chosen.noHours;
  return {
    engines,
    kinds: s.kinds,
    lowest: s.lowest,
    ...(s.quiet ? { quiet_from: s.quiet_from, quiet_to: s.quiet_to } : {}),
    pressure: s.pressure,
    temperature: s.temperature,
    ...(s.mail.trim() ? { mail: s.mail.trim() } : {}),
    ...(s.webhook ? { webhook: true } : {}),
    after: s.after,
  };
}

/** By what a person is rung, as words: what took the last that went by it, or has not been tried, and what fails. */
export function reachedBy(a: Alerts): { readonly by: readonly string[]; readonly fails: readonly string[] } {
  const used = a.ways.filter((x) => x.open && (x.id.startsWith("push/") || (x.id === "mail" && a.choice.mail) || (x.id === "webhook" && a.choice.webhook)));
  const word = (x: Way): string => (x.id === "mail" ? w.byMail : x.id === "webhook" ? w.byWebhook : w.byBrowser(x.name ?? ""));
  return { by: used.filter((x) => !x.failed).map(word), fails: used.filter((x) => x.failed).map(word) };
}

/** What rings, in a sentence, as it is written down. */
export function readsAs(c: Choice, name: (id: string) => string): string {
  const kinds = c.kinds.map((k) => (k === "alarm" ? w.alarmsFrom[c.lowest] : w.kindShort[k]));
  return w.rings(c.engines.length === 0 ? w.everyEngine : w.these(c.engines.map(name)), kinds);
}

/** "22:00" as hours; NaN where it is none. */
export const hoursOf = (t: string): number => {
  const [, h = "", m = ""] = /^(\d\d):(\d\d)$/.exec(t) ?? [];
  return h === "" ? NaN : Number(h) + Number(m) / 60;
};

/** The parts of a day, in hours, that are quiet: two where they go over midnight. */
export function quietParts(from: string, to: string): readonly (readonly [number, number])[] {
  const [a, b] = [hoursOf(from), hoursOf(to)];
  if (!(a >= 0 && b >= 0) || a === b) return [];
  return a < b ? [[a, b]] : [[0, b], [a, 24]].filter(([x = 0, y = 0]) => y > x) as [number, number][];
}

export type Stands = keyof typeof w.ways.stands;

/** How a way stands, for its word and its fill. */
export const standsOf = (x: Way): Stands => (!x.open ? "closed" : x.failed ? "fails" : x.taken ? "takes" : "untried");

/** Letters that say the same at the same time went by several ways: they are one message. */
export function messagesOf(letters: readonly Letter[]): readonly (readonly Letter[])[] {
  const by = new Map<string, Letter[]>();
  for (const l of letters) {
    const key = `${l.t} ${l.line}`;
    by.set(key, [...(by.get(key) ?? []), l]);
  }
  return [...by.values()];
}
