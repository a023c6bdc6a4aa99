import { describe, expect, it } from "vitest";
import type { Limit, RerunStep } from "../state/wire.ts";
import { barsOf, measureOf, movable, moved, putOf, same, written } from "./rerun.ts";

const bar = { pressure: "bar", temperature: "C" } as const;
const psi = { pressure: "psi", temperature: "F" } as const;
const limit = (l: Partial<Limit>): Limit => ({ key: "k", title: "t", unit: "bar", value: 3.1, default: null, min: 0.05, max: 40, source: "s", steps: ["blow-down"], ...l });

describe("a limit that a person puts", () => {
  const m = measureOf("bar", bar);
  it.each([
    ["3.5", 3.5], [" 3,5 ", 3.5], ["40", 40], ["0.05", 0.05],
  ])("%s is taken", (text, value) => expect(putOf(text, limit({}), m)).toEqual({ value }));
  it.each(["", "much", "NaN", "Infinity", "1 2"])("%s is no number", (text) => expect(putOf(text, limit({}), m)).toEqual({ wrong: "Write a number." }));
  it.each(["0.049", "40.1", "-3"])("%s is refused, not held at the end", (text) => expect(putOf(text, limit({}), m)).toEqual({ wrong: "Outside 0.05 to 40 bar." }));
  it("a minus is read as it is written on this page", () => expect(putOf("\u22125", limit({ unit: "K", min: -10, max: 10 }), measureOf("K", bar))).toEqual({ value: -5 }));

  it("is written and kept in the person's units, and what stands in force stays exactly so", () => {
    const p = measureOf("bar", psi);
    expect(written(3.1, p)).toBe("44.96");
    expect(putOf("44.96", limit({}), p)).toEqual({ value: 3.1 });
    const put = putOf("50", limit({}), p);
    expect("value" in put ? put.value : NaN).toBeCloseTo(3.447, 3);
    expect(putOf(written(40, p), limit({}), p)).toEqual({ value: 40 });
    expect(measureOf("\u00b0C", psi).kept(212)).toBeCloseTo(100);
    expect(measureOf("K", psi).shown(10)).toBe(18);
    expect(measureOf("s", psi).shown(10)).toBe(10);
  });
  it("is offered only where a step compares with it", () => expect(movable([limit({}), limit({ key: "v", steps: [] })]).map((l) => l.key)).toEqual(["k"]));
});

describe("what came of it", () => {
  const r = { from: "2026-10-24T15:00:00Z", to: "2026-10-24T20:00:00Z" };
  const at = (h: number): string => `2026-10-24T${String(h).padStart(2, "0")}:00:00Z`;
  const lane = (from: number): RerunStep["was"] => [{ from: at(15), to: at(from), verdict: "not-yet" }, { from: at(from), to: at(20), verdict: "proven" }];
  const step = (s: Partial<RerunStep>): RerunStep => ({
    step: "plugs-out", title: "Plugs out", was: lane(16), now: lane(16), first_proven_was: at(16), first_proven_now: at(16), moved_s: 0, faithful: true, why: "", ...s,
  });
  const clock = (t: number): string => new Date(t).toISOString().slice(11, 16);
  it.each<[string, Partial<RerunStep>]>([
    ["First proven 16:00, and would be so too.", {}],
    ["First proven 16:00; would be 17:00, 60 min later.", { now: lane(17), first_proven_now: at(17), moved_s: 3600 }],
    ["First proven 17:00; would be 16:00, 60 min earlier.", { was: lane(17), first_proven_was: at(17), moved_s: -3600 }],
    ["First proven 16:00; would never be.", { now: [], first_proven_now: null, moved_s: null }],
    ["Never proven; would be 16:00.", { was: [], first_proven_was: null, moved_s: null }],
    ["Never proven, and would not be.", { was: [], now: [], first_proven_was: null, first_proven_now: null, moved_s: null }],
    ["First proven 16:00 either way; otherwise later on.", { now: [...lane(16).slice(0, 1), { from: at(16), to: at(18), verdict: "proven" }, { from: at(18), to: at(20), verdict: "not-yet" }] }],
  ])("%s", (text, s) => expect(moved(step(s), r, clock)).toBe(text));
  it("lanes are alike whatever the pieces they are told in", () => {
    const pieces = [{ from: at(15), to: at(16), verdict: "not-yet" as const }, { from: at(16), to: at(18), verdict: "proven" as const }, { from: at(18), to: at(20), verdict: "proven" as const }];
    expect(same(step({ now: pieces }), r)).toBe(true);
    expect(same(step({ now: lane(17) }), r)).toBe(false);
  });
  it("nothing is drawn outside the span, nor without a length", () => {
    expect(barsOf([{ from: at(10), to: at(15), verdict: "proven" }, { from: at(14), to: at(16), verdict: "not-yet" }, { from: at(16), to: at(16), verdict: "proven" }], r))
      .toEqual([{ from: Date.parse(at(15)), to: Date.parse(at(16)), verdict: "not-yet" }]);
  });
});
