/** What is chosen: that of the daemon with what was typed, whether it can be written down, and how it reads. */
import type { Alerts, Choice } from "../link/rings.ts";
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

/** By what a person is rung, as words; empty where by nothing. */
export function reachedBy(a: Alerts): string[] {
  const open = a.ways.filter((x) => x.open);
  const browsers = open.filter((x) => x.id.startsWith("push/"));
  return [
    ...(browsers.length > 0 ? [w.byBrowsers(browsers.map((b) => b.name ?? ""))] : []),
    ...(a.choice.mail && open.some((x) => x.id === "mail") ? [w.byMail] : []),
    ...(a.choice.webhook && open.some((x) => x.id === "webhook") ? [w.byWebhook] : []),
  ];
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
