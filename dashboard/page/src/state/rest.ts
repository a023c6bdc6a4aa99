/** How an engine rests, as far as that is current. */
import { computed } from "@preact/signals";
import { current } from "./shown.ts";
import { outOfTheWay } from "./alarmed.ts";
import type { Alarm, Bearing, Finding, Reminder, Rest, State } from "./wire.ts";

/** The step that reminders of the morning come before. */
const lightUp = "light-up";

const atRest = (s: State): boolean => s.phase === "housed" || s.phase === "laid-up";

/** True where a fire is about to be lit, or was just lit: no disposal is open, and it is no longer being put away. */
const fireIsNext = (s: State): boolean => {
  const open = s.disposal !== undefined && s.disposal.ended === undefined;
  return s.phase === "lighting-up" || s.phase === "laid-up" || (s.phase === "in-steam" && !open);
};

/** The rest, with the lay-up that it is; null while the engine is at work, or nothing is heard. */
export const rest = computed<(Rest & { readonly layUp: State["lay_up"] }) | null>(() => {
  const s = current.value;
  return s && atRest(s) ? { ...s.rest, layUp: s.lay_up } : null;
});

/** What comes before a fire is lit, while one is next. */
export const beforeFire = computed<readonly Reminder[]>(() => {
  const s = current.value;
  return s && fireIsNext(s) ? s.rest.reminders.filter((r) => r.before === lightUp) : [];
});

/** The other reminders of a rest. */
export const reminders = computed<readonly Reminder[]>(() => {
  const s = current.value;
  if (!s) return [];
  const front = new Set(beforeFire.value.map((r) => r.id));
  return s.rest.reminders.filter((r) => !front.has(r.id));
});

/** What was found and booked for repair. It travels with the engine, at rest or not. */
export const repairs = computed<readonly string[]>(() => current.value?.rest.repairs ?? []);

/** The repair that a reminder speaks of; undefined for another reminder. */
export const repairOf = (r: Reminder): string | undefined => {
  const n = /^repair-(\d+)$/.exec(r.id)?.[1];
  return n === undefined ? undefined : repairs.value[Number(n) - 1];
};

export const findings = computed<readonly Finding[]>(() => current.value?.findings ?? []);
export const bearing = computed<Bearing | null>(() => current.value?.bearing ?? null);

/** Alarms that are shelved, suppressed or out of service. */
export const quiet = computed<readonly Alarm[]>(() => outOfTheWay(current.value?.alarms ?? []));
