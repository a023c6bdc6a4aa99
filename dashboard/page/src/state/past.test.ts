import { describe, expect, it } from "vitest";
import { emptyTrace, extend, fromSeries, judge, runs, stretches, unjudged, type Trace } from "./past.ts";
import type { Bucket, Reading, Step } from "./wire.ts";

const t0 = Date.parse("2031-05-04T17:00:00Z");
const at = (s: number): string => new Date(t0 + s * 1000).toISOString();
const bucket = (s: number, mean: number | null): Bucket => ({ from: at(s), to: at(s + 10), min: mean, max: mean, mean, count: mean === null ? 0 : 2, worst: "good" });
const series = (...means: (number | null)[]) => ({
  channel: "firebox", unit: "Cel", from: at(0), to: at(means.length * 10), buckets: means.map((m, i) => bucket(i * 10, m)),
});
const lengths = (t: Trace): number[] => runs(t, t0, t0 + 1e9).map((r) => r.length);
const reading = (s: number, value: number | null, quality: Reading["quality"] = "good"): Reading => ({
  value, quality, unit: "Cel", at: at(s), age_s: 0, stale: false, fresh_s: 60, uncertainty: 1,
});

describe("a fetched series", () => {
  it("is one stretch where it is dense", () => expect(lengths(fromSeries(series(1, 2, 3, 4), 60))).toEqual([4]));
  it("breaks where buckets are empty", () => expect(lengths(fromSeries(series(1, 2, null, null, 3, 4), 60))).toEqual([2, 2]));
  it("breaks at a gap longer than the limit of age, however sparse it is", () => {
    expect(lengths(fromSeries(series(1, null, null, 2, null, null, 3), 15))).toEqual([1, 1, 1]);
  });
  it("does not break between buckets narrower than the node's interval", () => {
    expect(lengths(fromSeries(series(1, null, 2, null, 3, null, 4), 60))).toEqual([4]);
  });
  it("is nothing where there is nothing", () => {
    expect(lengths(fromSeries(series(), 60))).toEqual([]);
    expect(lengths(fromSeries(series(null, null), 60))).toEqual([]);
  });
});

describe("a trace made longer", () => {
  const two = extend(extend(emptyTrace, reading(0, 5), 0), reading(30, 6), 0);
  it("joins readings within the limit of age", () => expect(lengths(two)).toEqual([2]));
  it("leaves a gap after silence", () => expect(lengths(extend(two, reading(91, 7), 0))).toEqual([2, 1]));
  it("leaves a gap at a bad sample, even one with a number", () => {
    expect(lengths(extend(extend(two, reading(40, 999, "bad"), 0), reading(50, 7), 0))).toEqual([2, 1]);
    expect(lengths(extend(extend(two, reading(40, null, "bad"), 0), reading(50, 7), 0))).toEqual([2, 1]);
  });
  it("takes no reading twice, nor one older than the last", () => {
    expect(extend(two, reading(30, 8), 0)).toBe(two);
    expect(extend(two, reading(10, 8), 0)).toBe(two);
  });
  it("takes none without a time", () => expect(extend(two, { ...reading(40, 8), at: "" }, 0)).toBe(two));
});

const step = (verdict: Step["verdict"], since: number): Step => ({ id: "house", title: "House", because: [], verdict, since: at(since) });

describe("a lane", () => {
  it("goes on while the verdict stays", () => {
    const j = judge(unjudged, [step("not-yet", 0)], at(5));
    expect(judge(j, [step("not-yet", 0)], at(9))).toBe(j);
  });
  it("changes when the verdict does", () => {
    const j = judge(judge(unjudged, [step("not-yet", 0)], at(5)), [step("proven", 60)], at(61));
    expect(stretches(j.segments["house"] ?? [], t0, t0 + 100_000).map((s) => [s.verdict, s.from - t0, s.to - t0])).toEqual([
      ["not-yet", 0, 60_000],
      ["proven", 60_000, 100_000],
    ]);
  });
  it("never draws a verdict over what was judged before", () => {
    const j = judge(judge(unjudged, [step("not-yet", 50)], at(50)), [step("proven", 10)], at(80));
    expect(j.segments["house"]?.at(-1)?.t).toBe(at(80));
  });
  it("begins at the edge of the sheet, not before", () => {
    expect(stretches([{ t: at(-500), verdict: "proven" }], t0, t0 + 1000)).toEqual([{ from: t0, to: t0 + 1000, verdict: "proven" }]);
  });
});
