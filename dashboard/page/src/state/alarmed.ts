/**
 * Alarms: which of them press, and in what order. Pure but for what is asked of
 * `shown.ts`, which knows whether anything is current.
 */
import type { Alarm } from "./wire.ts";

/**
 * How much an alarm presses for a person's word, 0 the most; null where it is out of
 * the way. One that is over by itself comes after what still is so, and both before
 * what somebody knows of, unless that is high.
 */
const presses: Partial<Record<Alarm["state"], Record<Alarm["priority"], number>>> = {
  "unacknowledged": { high: 0, medium: 1, low: 3 },
  "acknowledged": { high: 2, medium: 7, low: 8 },
  "returned-unacknowledged": { high: 4, medium: 5, low: 6 },
};

const rank = (a: Alarm): number | null => presses[a.state]?.[a.priority] ?? null;

/** The alarms that want a person, the most pressing first, of equal ones the newest. */
export const pressing = (all: readonly Alarm[]): Alarm[] =>
  all
    .filter((a) => rank(a) !== null)
    .sort((a, b) => (rank(a) ?? 0) - (rank(b) ?? 0) || Date.parse(b.t) - Date.parse(a.t) || a.id.localeCompare(b.id));

/**
 * The alarm that takes the sentence over the sheet: what is high and still so, whether
 * somebody knows of it or not, else what is medium and nobody knows of; null for none.
 */
export function leading(all: readonly Alarm[]): Alarm | null {
  const weight = (a: Alarm): number =>
    a.priority === "high" && stands(a) ? (a.state === "unacknowledged" ? 0 : 1) : a.priority === "medium" && a.state === "unacknowledged" ? 2 : 3;
  return pressing(all).filter((a) => weight(a) < 3).sort((a, b) => weight(a) - weight(b))[0] ?? null;
}

/** True while what raised it is so, or cannot be seen to be over. */
export const stands = (a: Alarm): boolean => a.state === "unacknowledged" || a.state === "acknowledged";

export const wantsWord = (a: Alarm): boolean => a.state === "unacknowledged" || a.state === "returned-unacknowledged";

const quietOrder: Alarm["state"][] = ["shelved", "out-of-service", "suppressed"];

/** The alarms that are out of the way, each with its reason: shelved ones first. */
export const outOfTheWay = (all: readonly Alarm[]): Alarm[] =>
  all.filter((a) => quietOrder.includes(a.state)).sort((a, b) => quietOrder.indexOf(a.state) - quietOrder.indexOf(b.state) || a.title.localeCompare(b.title));

/** Until when there is time to act (ms); null where only its length is known: since it was acknowledged, `t` says so no more. */
export const actUntil = (a: Alarm): number | null => {
  const raised = Date.parse(a.t);
  return a.state === "unacknowledged" && Number.isFinite(raised) && a.respond_s > 0 ? raised + a.respond_s * 1000 : null;
};

const lengths = [15, 60, 4 * 60, 8 * 60, 24 * 60, 72 * 60];

/** For how many minutes an alarm may be shelved: a few lengths, the longest allowed among them. */
export function shelves(a: Alarm): number[] {
  const most = Math.floor(a.shelvable_s / 60);
  if (!(most > 0)) return [];
  const all = lengths.filter((m) => m < most);
  return [...all.slice(-3), most];
}
