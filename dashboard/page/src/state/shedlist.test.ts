import { describe, expect, it } from "vitest";
import { lineOf, shedLines, spanFor } from "./shedlist.ts";
import type { Alarm, Engine, Forecast, State, Step } from "./wire.ts";

const t = "2031-10-24T17:00:00Z";
const now = Date.parse(t);
const around = { now, zone: "UTC", alive: true };
const engine = (id: string): Engine => ({
  id, name: `${id[0]?.toUpperCase()}${id.slice(1)}`, tanks: 2, working_pressure: 6e5, measured: ["boiler.pressure", "firebox", "boiler.shell.bottom"], marks: {},
});
const step = (s: Partial<Step>): Step => ({ id: "house", title: "House", verdict: "not-yet", because: [], since: t, ...s });
const cool = { evidence: "firebox-cool", title: "Firebox cool", verdict: "not-yet" as const, text: "" };
const ajar = { evidence: "smokebox-ajar", title: "Smokebox door ajar", verdict: "not-yet" as const, text: "", confirm: "smokebox-ajar" };
const house = (eta: string | null, lo = eta, hi = eta): Forecast => ({ t, engine: "quillet", forecast: "house", assuming: "as-is", eta, lo, hi, text: "" }) as Forecast;
const alarm = (engine: string, priority: Alarm["priority"]): Alarm => ({
  id: `${engine}.vacuum`, t, engine, watch: "vacuum", state: "unacknowledged", priority, text: "", title: "Vacuum", consequence: "", action: "Open the vent.", respond_s: 600, shelvable_s: 0,
});
const state = (s: Partial<State>): State => ({
  engine: "quillet", at: t, phase: "cooling", lay_up: "dry", channels: {}, steps: [step({})], front: "house", asks: [], forecasts: [], confirmations: [], alarms: [], findings: [],
  disposal: { id: "d1", begun: t },
  bearing: { raised: 0, per_ten_min: 0, last_ten_min: 0, peak_ten_min: 0, flood: false, floods: 0, chattering: [], stale: [] },
  rest: { since: t, advice: "", watched_h: 0, damp_h: 0, condensing_h: 0, reminders: [], repairs: [] },
  ...s,
});

describe("an engine's line", () => {
  it("tells when it is ready with its interval, and what it waits for: time before words", () => {
    const l = lineOf(engine("quillet"), state({ steps: [step({ because: [ajar, cool] })], forecasts: [house("2031-10-24T18:40:00Z", "2031-10-24T18:25:00Z", "2031-10-24T19:05:00Z")] }), around);
    expect(l.bold).toBe("Ready to house about 18:40, between 18:25 and 19:05.");
    expect(l.plain).toBe("Waits for the firebox to cool, and one more.");
    expect(l.statement).toMatchObject({ id: "house", verdict: "not-yet" });
  });
  it("tells no time of what cannot be told, and where to look", () => {
    const l = lineOf(engine("quillet"), state({ steps: [step({ verdict: "cannot-tell", because: [{ ...cool, verdict: "cannot-tell" }] })], forecasts: [house("2031-10-24T18:40:00Z")] }), around);
    expect([l.expected, l.bold, l.plain]).toEqual([null, "House: cannot tell.", "Look at it: firebox cool."]);
  });
  it("tells no time that nothing was honestly told of", () => {
    expect(lineOf(engine("quillet"), state({ forecasts: [house(null)] }), around)).toMatchObject({ expected: null, bold: "House: not yet. No time can be told yet." });
  });
  it("on a dead link shows nothing as it is now: no verdict, no forecast, no alarm as standing", () => {
    const s = state({ steps: [step({ verdict: "proven" })], forecasts: [house("2031-10-24T18:40:00Z")], alarms: [alarm("quillet", "high")] });
    const l = lineOf(engine("quillet"), s, { ...around, alive: false });
    expect(l).toMatchObject({ statement: { verdict: "cannot-tell" }, expected: null, alarms: [], bold: "Cannot tell.", plain: "Heard last 17:00: Vacuum." });
  });
  it("of an engine never heard says so", () => {
    expect(lineOf(engine("quillet"), undefined, around)).toMatchObject({ bold: "Cannot tell.", plain: "It was never heard.", expected: null });
  });
  it("at rest tells how it lies, and that what is not known is not known", () => {
    const rested = state({ phase: "laid-up", disposal: { id: "d1", begun: t, ended: t } });
    expect(lineOf(engine("quillet"), rested, around).plain).toBe("Lies emptied; dew cannot be told; frost cannot be told; at rest since 17:00.");
    const frosty = state({ ...rested, rest: { ...rested.rest, margin_k: -0.5, frost_margin_k: -1, since: "2031-10-20T17:00:00Z" } });
    expect(lineOf(engine("quillet"), frosty, around).plain).toBe("Lies emptied; dew on the steel; frost in the shed; at rest since Monday 20 October, 4 days.");
  });
});

describe("the order", () => {
  it("is by alarms, the most pressing first, then by when each wants somebody, then as configured", () => {
    const late = state({ engine: "b", forecasts: [house("2031-10-24T21:00:00Z")] });
    const soon = state({ engine: "c", forecasts: [house("2031-10-24T18:00:00Z")] });
    const low = state({ engine: "d", alarms: [alarm("d", "low")] });
    const high = state({ engine: "e", alarms: [alarm("e", "high")] });
    const never = state({ engine: "a" });
    const lines = shedLines(["a", "b", "c", "d", "e"].map(engine), { a: never, b: late, c: soon, d: low, e: high }, around);
    expect(lines.map((l) => l.id)).toEqual(["e", "d", "c", "b", "a"]);
  });
});

it("one span of time reaches what is told, and stays short where nothing is", () => {
  const line = lineOf(engine("quillet"), state({ forecasts: [house("2031-10-24T19:40:00Z")] }), around);
  expect(spanFor([line], now, 0.6)).toBe(480);
  expect(spanFor([], now, 0.6)).toBe(120);
});
