import { afterEach, describe, expect, it } from "vitest";
import { known, link, tick } from "./held.ts";
import { nothing, reduce } from "./known.ts";
import { alarms, asks, figureOf, given, live, reasons, verdict, worst } from "./shown.ts";
import type { Alarm, Reading, Reason, Snapshot } from "./wire.ts";

const t = Date.parse("2031-05-04T17:00:00Z");
const reading: Reading = { value: 3.1e5, unit: "Pa", quality: "good", at: "2031-05-04T17:00:00Z", age_s: 0, stale: false, fresh_s: 15, uncertainty: 4e3 };

describe("figureOf", () => {
  const rows: { name: string; r: Reading | undefined; at: number | null; alive: boolean; quiet: number; kind: string }[] = [
    { name: "a good one of now", r: reading, at: t, alive: true, quiet: 0, kind: "full" },
    { name: "at its limit of age", r: reading, at: t + 15_000, alive: true, quiet: 0, kind: "full" },
    { name: "past its limit of age", r: reading, at: t + 15_001, alive: true, quiet: 0, kind: "outline" },
    { name: "on a dead link", r: reading, at: t, alive: false, quiet: 3, kind: "outline" },
    { name: "said to be stale", r: { ...reading, stale: true }, at: t, alive: true, quiet: 0, kind: "outline" },
    { name: "uncertain", r: { ...reading, quality: "uncertain" }, at: t, alive: true, quiet: 0, kind: "outline" },
    { name: "bad, though with a number", r: { ...reading, quality: "bad" }, at: t, alive: true, quiet: 0, kind: "lost" },
    { name: "without a number", r: { ...reading, value: null }, at: t, alive: true, quiet: 0, kind: "lost" },
    { name: "not a number", r: { ...reading, value: NaN }, at: t, alive: true, quiet: 0, kind: "lost" },
    { name: "without a time", r: { ...reading, at: "" }, at: t, alive: true, quiet: 0, kind: "outline" },
    { name: "with no limit of age that is a number", r: { ...reading, fresh_s: NaN }, at: t, alive: true, quiet: 0, kind: "outline" },
    { name: "before any time was heard", r: reading, at: null, alive: true, quiet: 0, kind: "outline" },
    { name: "never heard", r: undefined, at: t, alive: true, quiet: 0, kind: "none" },
  ];
  it.each(rows)("$name is $kind", ({ r, at, alive, quiet, kind }) => expect(figureOf(r, at, alive, quiet).kind).toBe(kind));
  it("is at least as old as the silence on a dead link", () => {
    const f = figureOf(reading, t, false, 40);
    expect("age" in f && f.age).toBe(40);
  });
});

const vacuum: Alarm = {
  id: "quillet.vacuum", t: "2031-05-04T16:58:00Z", engine: "quillet", watch: "vacuum", state: "unacknowledged", priority: "medium", text: "-0.21 bar in the boiler",
  title: "Vacuum in the boiler", consequence: "Water is drawn in.", action: "Open the vent slowly and leave it open.", respond_s: 1800, shelvable_s: 14_400,
};
const quietRest = {
  findings: [], bearing: { raised: 0, per_ten_min: 0, last_ten_min: 0, peak_ten_min: 0, flood: false, floods: 0, chattering: [], stale: [] },
  rest: { advice: "", watched_h: 0, damp_h: 0, condensing_h: 0, reminders: [], repairs: [] },
} satisfies Partial<Snapshot["states"][number]>;

const because: Reason = { evidence: "vent-open", title: "Vent open", verdict: "proven", text: "R. Penhalow says so.", confirm: "vent-open" };
const snapshot: Snapshot = {
  at: "2031-05-04T17:00:00Z",
  shed: { id: "fernhollow", name: "Fernhollow", timezone: "Europe/London", people: [], cautions: {} },
  engines: [{ id: "quillet", name: "Quillet", tanks: 2, working_pressure: 6e5, measured: [], marks: {} }],
  states: [
    {
      engine: "quillet", at: "2031-05-04T17:00:00Z", phase: "emptied", lay_up: "dry", channels: {}, front: "plugs-out", forecasts: [],
      asks: [{ question: "Plugs out?", step: "plugs-out", now: true, confirm: "plugs-removed" }],
      alarms: [vacuum], ...quietRest,
      confirmations: [{ confirm: "vent-open", by: "T. Oxley", at: "2031-05-04T17:00:00Z" }],
      steps: [{ id: "plugs-out", title: "Plugs out", verdict: "proven", since: "2031-05-04T17:00:00Z", because: [because] }],
    },
  ],
};

describe("what is shown", () => {
  afterEach(() => {
    known.value = nothing;
    link.value = { open: false, heard: null, lastHeard: null };
    tick.value = 0;
  });
  const alive = (): void => {
    known.value = reduce(nothing, { kind: "snapshot", n: 1, snapshot });
    link.value = { open: true, heard: 1_000, lastHeard: 1_000 };
    tick.value = 1_000;
  };
  const nothingCurrent = (): void => {
    expect(live.value).toBe(false);
    expect(verdict("plugs-out")).toBe("cannot-tell");
    expect(reasons("plugs-out").map((r) => [r.verdict, r.text])).toEqual([["cannot-tell", ""]]);
    expect([asks.value, given.value, alarms.value]).toEqual([[], [], []]);
  };
  it("is the verdict while the link lives", () => {
    alive();
    expect(verdict("plugs-out")).toBe("proven");
    expect(asks.value.length).toBe(1);
  });
  it("is cannot-tell for a step that is not known", () => {
    alive();
    expect(verdict("fly")).toBe("cannot-tell");
  });
  it("is nothing current 2.5 s after the last message", () => {
    alive();
    tick.value = 3_499;
    expect(verdict("plugs-out")).toBe("proven");
    tick.value = 3_500;
    nothingCurrent();
  });
  it("is nothing current as soon as the socket is gone", () => {
    alive();
    link.value = { ...link.value, open: false, heard: null };
    nothingCurrent();
  });
  it("is nothing current on a new socket before anything is heard over it", () => {
    alive();
    link.value = { ...link.value, heard: null };
    nothingCurrent();
  });
  it("is nothing current when a message is missing", () => {
    alive();
    known.value = { ...known.value, torn: true };
    nothingCurrent();
  });
});

describe("worst", () => {
  const r = (evidence: string, v: Reason["verdict"]): Reason => ({ evidence, title: evidence, verdict: v, text: "" });
  it("puts cannot-tell before not-yet", () => expect(worst([r("a", "proven"), r("b", "not-yet"), r("c", "cannot-tell")])?.evidence).toBe("c"));
  it("takes the first of its kind", () => expect(worst([r("a", "not-yet"), r("b", "not-yet")])?.evidence).toBe("a"));
  it("is none where all is proven", () => expect(worst([r("a", "proven")])).toBeNull());
  it("is none where there is no evidence", () => expect(worst([])).toBeNull());
});
