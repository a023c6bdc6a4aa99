import { afterEach, describe, expect, it } from "vitest";
import { known, link, tick } from "./held.ts";
import { nothing, reduce } from "./known.ts";
import { bearing, beforeFire, findings, quiet, reminders, repairOf, repairs, rest } from "./rest.ts";
import { alarms, alarmsThen, leadingAlarm } from "./shown.ts";
import type { Alarm, Snapshot, State } from "./wire.ts";

const t = "2031-10-24T17:00:00Z";
const plugs = { id: "plugs-back", before: "light-up", due: t, text: "The plugs are said to be out." };
const repair = { id: "repair-2", before: "light-up", due: t, text: "Booked for repair: left injector." };
const look = { id: "look", due: t, text: "Look into it." };
const vacuum: Alarm = {
  id: "quillet.vacuum", t, engine: "quillet", watch: "vacuum", state: "unacknowledged", priority: "medium", text: "", title: "Vacuum", consequence: "", action: "", respond_s: 60, shelvable_s: 0,
};
const at = (s: Partial<State>): State => ({
  engine: "quillet", at: t, phase: "laid-up", lay_up: "dry", channels: {}, steps: [], front: "", asks: [], forecasts: [], confirmations: [],
  alarms: [vacuum, { ...vacuum, id: "quillet.frost", watch: "frost", state: "suppressed" }],
  findings: [{ kind: "frozen", since: t, text: "Firebox: has not changed." }],
  bearing: { raised: 1, per_ten_min: 0.1, last_ten_min: 1, peak_ten_min: 1, flood: false, floods: 0, chattering: [], stale: [] },
  rest: { since: t, advice: "", watched_h: 0, damp_h: 0, condensing_h: 0, reminders: [plugs, repair, look], repairs: ["mud door 3", "left injector"] },
  ...s,
});

function heard(s: Partial<State>): void {
  const snapshot: Snapshot = {
    at: t, shed: { id: "fernhollow", name: "Fernhollow", timezone: "Europe/London", people: [], cautions: {} },
    engines: [{ id: "quillet", name: "Quillet", tanks: 2, working_pressure: 6e5, measured: [], marks: {} }], states: [at(s)],
  };
  known.value = reduce(nothing, { kind: "snapshot", n: 1, snapshot });
  link.value = { open: true, heard: 1_000, lastHeard: 1_000 };
  tick.value = 1_000;
}

afterEach(() => {
  known.value = nothing;
  link.value = { open: false, heard: null, lastHeard: null };
  tick.value = 0;
});

describe("a rest", () => {
  const disposal = { id: "d1", begun: t };
  const rows: { name: string; s: Partial<State>; rests: boolean; before: string[]; other: string[] }[] = [
    { name: "laid up", s: {}, rests: true, before: ["plugs-back", "repair-2"], other: ["look"] },
    { name: "housed: no fire is next", s: { phase: "housed" }, rests: true, before: [], other: ["plugs-back", "repair-2", "look"] },
    { name: "lighting up", s: { phase: "lighting-up" }, rests: false, before: ["plugs-back", "repair-2"], other: ["look"] },
    { name: "in steam, no disposal open", s: { phase: "in-steam", disposal: { ...disposal, ended: t } }, rests: false, before: ["plugs-back", "repair-2"], other: ["look"] },
    { name: "in steam, and no disposal ever", s: { phase: "in-steam" }, rests: false, before: ["plugs-back", "repair-2"], other: ["look"] },
    { name: "in steam, being put away", s: { phase: "in-steam", disposal }, rests: false, before: [], other: ["plugs-back", "repair-2", "look"] },
    { name: "cooling", s: { phase: "cooling", disposal }, rests: false, before: [], other: ["plugs-back", "repair-2", "look"] },
  ];
  it.each(rows)("$name", ({ s, rests, before, other }) => {
    heard(s);
    expect([rest.value !== null, beforeFire.value.map((r) => r.id), reminders.value.map((r) => r.id)]).toEqual([rests, before, other]);
  });
  it("knows which repair a reminder speaks of", () => {
    heard({});
    expect([repairOf(repair), repairOf(plugs), repairOf({ ...repair, id: "repair-9" })]).toEqual(["left injector", undefined, undefined]);
  });
});

describe("on a dead link", () => {
  it("nothing of alarms, findings and rest is current; what stood is told as past", () => {
    heard({});
    expect([alarms.value.length, quiet.value.length, findings.value.length, alarmsThen.value.length]).toEqual([1, 1, 1, 0]);
    tick.value = 3_500;
    expect([alarms.value, quiet.value, findings.value, beforeFire.value, reminders.value, repairs.value]).toEqual([[], [], [], [], [], []]);
    expect([rest.value, bearing.value, leadingAlarm.value]).toEqual([null, null, null]);
    expect(alarmsThen.value.map((a) => a.id)).toEqual(["quillet.vacuum"]);
  });
});
