import { afterEach, describe, expect, it } from "vitest";
import { known, link, tick } from "./held.ts";
import { readBack, written, type Heard } from "./kept.ts";
import { isKept, nothing } from "./known.ts";
import { live } from "./shown.ts";
import type { Engine, State } from "./wire.ts";

const engine = (id: string): Engine => ({ id, name: id, tanks: 2, working_pressure: 6e5, measured: [], marks: {} });
const state = (id: string, phase: State["phase"] = "cooling"): State => ({ engine: id, at: "2031-05-04T17:00:00Z", phase } as State);
const t = Date.parse("2031-05-04T17:00:00Z");
const heard: Heard = {
  known: {
    n: 7_000, torn: false, at: t, shed: { id: "fernhollow", name: "Fernhollow", timezone: "Europe/London", people: [], cautions: {} },
    engines: [engine("quillet"), engine("marrow")], states: { quillet: state("quillet"), marrow: state("marrow") },
  },
  engine: "quillet",
  traces: { "boiler.pressure": { gap: 15_000, points: [{ t, v: 312_345.678_9, lo: 3e5, hi: 3.2e5 }, { t: t + 5_000, v: null, lo: 0, hi: 0 }] } },
  judged: { segments: { "plugs-out": [{ t: "2031-05-04T16:00:00Z", verdict: "not-yet" }] }, stamps: [] },
};
const by = "https://shed.example/assets/index-1a2.js";

afterEach(() => {
  known.value = nothing;
  link.value = { open: false, heard: null, lastHeard: null };
});

describe("what was kept", () => {
  const back = (h = heard, after = 3_600_000, script = by) => readBack(written(h, by, 1_000), script, 1_000 + after);
  it("is read back with its past and its age", () => {
    const b = back();
    expect(b?.age).toBe(3_600_000);
    expect(b?.known.at).toBe(t);
    expect(b?.known.states["marrow"]?.phase).toBe("cooling");
    expect(b?.traces["boiler.pressure"]?.points).toEqual([{ t, v: 312_345.7, lo: 3e5, hi: 3.2e5 }, { t: t + 5_000, v: null, lo: 0, hi: 0 }]);
    expect(b?.judged).toEqual(heard.judged);
  });
  it("is never current, not even on a link that lives", () => {
    const b = back();
    if (!b) throw new Error("nothing was read back");
    known.value = b.known;
    link.value = { open: true, heard: 0, lastHeard: 0 };
    tick.value = 1;
    expect([b.known.torn, isKept(b.known), live.value]).toEqual([true, true, false]);
    known.value = { ...b.known, torn: false };
    expect(live.value, "the same of a message just heard").toBe(true);
  });
  it("is not read by another script", () => expect(back(heard, 0, `${by}x`)).toBeNull());
  it("has no age where the device\u2019s clock was set back", () => expect(back(heard, -1)?.age).toBeNull());
  it.each([["nothing", undefined], ["no text", 7], ["a torn text", '{"by":'], ["another thing", "{}"], ["null", "null"]])("%s is nothing", (_, text) => expect(readBack(text, by, 0)).toBeNull());
  it("is bounded: the curves first, then the other engines, then nothing", () => {
    const many = { gap: 1, points: Array.from({ length: 5_000 }, (_, i) => ({ t: i, v: i, lo: i, hi: i })) };
    expect(back({ ...heard, traces: { firebox: many } })?.traces["firebox"]?.points.map((p) => p.t).slice(0, 1)).toEqual([4_000]);
    const large = "x".repeat(1_500_000) as State["phase"];
    const two = back({ ...heard, known: { ...heard.known, states: { quillet: state("quillet", large), marrow: state("marrow", large) } } });
    expect(Object.keys(two?.known.states ?? {})).toEqual(["quillet"]);
    expect(two?.known.engines.map((e) => e.id)).toEqual(["quillet"]);
    const none = { ...heard.known, states: { quillet: state("quillet", (large + large) as State["phase"]) } };
    expect(written({ ...heard, known: none }, by, 0)).toBeNull();
  });
});
