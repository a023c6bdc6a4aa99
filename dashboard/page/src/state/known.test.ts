import { describe, expect, it } from "vitest";
import { nothing, read, reduce, type Known, type Message } from "./known.ts";
import type { Change, Snapshot, State, Step } from "./wire.ts";

const step = (id: string, verdict: Step["verdict"]): Step => ({ id, title: id, verdict, because: [], since: "2031-05-04T17:00:00Z" });
const state: State = {
  engine: "quillet", at: "2031-05-04T17:00:00Z", phase: "in-steam", lay_up: "dry", channels: {}, front: "plugs-out", asks: [], forecasts: [], alarms: [],
  confirmations: [], findings: [], bearing: { raised: 0, per_ten_min: 0, last_ten_min: 0, peak_ten_min: 0, flood: false, floods: 0, chattering: [], stale: [] },
  rest: { advice: "", watched_h: 0, damp_h: 0, condensing_h: 0, reminders: [], repairs: [] },
  steps: [step("blow-down", "proven"), step("plugs-out", "not-yet")],
};
const snapshot: Snapshot = {
  at: "2031-05-04T17:00:00Z",
  shed: { id: "fernhollow", name: "Fernhollow", timezone: "Europe/London", people: [], cautions: {} },
  engines: [{ id: "quillet", name: "Quillet", tanks: 2, working_pressure: 6e5, measured: [], marks: { zero_band: 8000 } }],
  states: [state],
};
const snap = (n: number): Message => ({ kind: "snapshot", n, snapshot });
const change = (n: number, c: Partial<Change> = {}): Message => ({ kind: "change", n, change: { at: "2031-05-04T17:01:00Z", engine: "quillet", ...c } });
const beat = (n: number, at = "2031-05-04T17:02:00Z"): Message => ({ kind: "beat", n, beat: { at } });
const after = (...m: Message[]): Known => m.reduce(reduce, nothing);

describe("reduce", () => {
  it("takes what seldom changes, and keeps it where a change does not tell it", () => {
    const rest = { ...state.rest, repairs: ["mud door 3 weeps"] };
    const told = after(snap(7), change(8, { rest, findings: [{ kind: "frozen", since: "2031-05-04T17:00:00Z", text: "Firebox: has not changed." }], bearing: { ...state.bearing, raised: 2 } }));
    const k = reduce(told, change(9, { phase: "cooling" }));
    expect([k.states["quillet"]?.rest.repairs, k.states["quillet"]?.findings.length, k.states["quillet"]?.bearing.raised]).toEqual([["mud door 3 weeps"], 1, 2]);
  });
  it("takes what the boiler holds, and what is no longer known with it", () => {
    const held = { energy_mj: { value: 256, u: 32 }, water_kg: { value: 265, u: 36 } };
    const told = after(snap(7), change(8, { energy: held }));
    expect(reduce(told, change(9)).states["quillet"]?.energy).toEqual(held);
    const lost = { why: "The level is not known." };
    expect(reduce(told, change(9, { energy: lost })).states["quillet"]?.energy).toEqual(lost);
  });
  it("takes a snapshot whole, whatever was known before", () => {
    const k = after(snap(900), snap(7));
    expect([k.n, k.torn, k.states["quillet"]?.front]).toEqual([7, false, "plugs-out"]);
  });
  it("applies a change and leaves the rest with its identity", () => {
    const before = after(snap(7));
    const k = reduce(before, change(8, { steps: [step("plugs-out", "proven")], phase: "emptied" }));
    expect(k.states["quillet"]?.steps.map((s) => s.verdict)).toEqual(["proven", "proven"]);
    expect(k.states["quillet"]?.steps[0]).toBe(before.states["quillet"]?.steps[0]);
    expect([k.n, k.at, k.states["quillet"]?.phase]).toEqual([8, Date.parse("2031-05-04T17:01:00Z"), "emptied"]);
  });
  it("replaces a whole list where a change has one, an empty one too", () => {
    const ask = { question: "Vent open?", step: "plugs-out", now: true, confirm: "vent-open" };
    const k = after(snap(7), change(8, { asks: [ask] }), change(9, { asks: [] }));
    expect(k.states["quillet"]?.asks).toEqual([]);
  });
  it("replaces the marks", () => {
    expect(after(snap(7), change(8, { marks: { boiling_c: 99 } })).engines[0]?.marks).toEqual({ boiling_c: 99 });
  });
  const tears: { name: string; m: Message[]; torn: boolean }[] = [
    { name: "the next number follows", m: [snap(7), change(8)], torn: false },
    { name: "a number is left out", m: [snap(7), change(9)], torn: true },
    { name: "a number comes again", m: [snap(7), change(8), change(8)], torn: false },
    { name: "a beat of the newest number", m: [snap(7), beat(7)], torn: false },
    { name: "a beat of a number not had", m: [snap(7), beat(8)], torn: true },
    { name: "a beat of an older number: the daemon began anew", m: [snap(7), beat(3)], torn: true },
    { name: "an engine that is not known", m: [snap(7), change(8, { engine: "marrow" })], torn: true },
    { name: "a torn state is not mended by more changes", m: [snap(7), change(9), change(8), beat(8)], torn: true },
    { name: "a torn state is mended by a snapshot", m: [snap(7), change(9), snap(10)], torn: false },
  ];
  it.each(tears)("torn is $torn where $name", ({ m, torn }) => expect(after(...m).torn).toBe(torn));
  it("knows nothing from a change before any snapshot", () => expect(after(change(1), beat(1))).toEqual(nothing));
  it("never lets the time run back within one daemon", () => {
    expect(after(snap(7), beat(7), beat(7, "2031-05-04T16:00:00Z")).at).toBe(Date.parse("2031-05-04T17:02:00Z"));
  });
  it("keeps its time where a message has none that can be read", () => {
    expect(after(snap(7), beat(7, "soon")).at).toBe(Date.parse("2031-05-04T17:00:00Z"));
  });
});

describe("read", () => {
  it("tells the kinds apart", () => {
    expect(["snapshot", "change", "beat"].map((k) => read(JSON.stringify({ n: 1, [k]: {} })).kind)).toEqual(["snapshot", "change", "beat"]);
  });
  it.each(["", "null", "7", "{}", '{"n":"1","beat":{}}', '{"n":1}', '{"n":1,"song":{}}'])("refuses %j", (text) => {
    expect(() => read(text)).toThrow();
  });
});
