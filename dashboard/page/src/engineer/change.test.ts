import { describe, expect, it } from "vitest";
import type { TrendFinding, Trends, TrendSeries } from "../state/wire.ts";
import { changesIn, dateOf, dateTicks, ownOf, reachOf, seasons, shareOf, spanOf } from "./change.ts";

const day = 24 * 3_600_000;
const first = Date.UTC(2026, 3, 1, 15);
const iso = (t: number): string => new Date(t).toISOString();
const series = (quantity: string, values: readonly number[], every = 7): TrendSeries => ({
  quantity, title: quantity, unit: "h", points: values.map((value, i) => ({ t: iso(first + i * every * day), value })),
});
const finding = (f: Partial<TrendFinding>): TrendFinding => ({
  quantity: "q", unit: "h", kind: "step", since: iso(first + 28 * day), until: iso(first + 63 * day), before: 10, after: 15, change: 5, lo: 4, hi: 6,
  p: 0.001, evenings_before: 4, evenings_after: 6, text: "It takes longer.", ...f,
});
const ten = [10, 10, 10, 10, 15, 15, 15, 15, 15, 15];
const trends = (findings: TrendFinding[], ...s: TrendSeries[]): Trends => ({ engine: "quillet", findings, series: s });

describe("a finding beside its series", () => {
  it("a step has a level to either side, and rests on its own evenings alone", () => {
    const c = changesIn(trends([finding({ evenings_before: 2 })], series("q", ten)))[0];
    expect(c?.before).toEqual({ from: first + 14 * day, to: first + 28 * day, v0: 10, v1: 10 });
    expect(c?.after).toEqual({ from: first + 28 * day, to: first + 63 * day, v0: 15, v1: 15 });
    expect([c?.least.v0, c?.most.v0]).toEqual([14, 16]);
    expect(c?.rests.length).toBe(8);
    expect(c?.evenings.length).toBe(10);
  });
  it("a drift has one line, and the lines of its interval cross it in the middle", () => {
    const c = changesIn(trends([finding({ kind: "drift", since: iso(first), before: 10, after: 15, lo: 20, hi: 40, evenings_before: 0 })], series("q", ten)))[0];
    expect(c?.before).toBeNull();
    const middle = (l: { v0: number; v1: number } | undefined): number => ((l?.v0 ?? NaN) + (l?.v1 ?? NaN)) / 2;
    expect(middle(c?.least)).toBeCloseTo(12.5);
    expect(middle(c?.most)).toBeCloseTo(12.5);
    const years = (63 * day) / (365.25 * day);
    expect((c?.most.v1 ?? 0) - (c?.most.v0 ?? 0)).toBeCloseTo(40 * years);
  });
  it("the newest change comes first; one without its series is not drawn", () => {
    const all = changesIn(trends([finding({ text: "old" }), finding({ text: "new", since: iso(first + 35 * day) }), finding({ quantity: "gone" })], series("q", ten)));
    expect(all.map((c) => c.finding.text)).toEqual(["new", "old"]);
  });
  it("a step that no evening follows is not drawn", () => {
    expect(changesIn(trends([finding({ since: iso(first + 900 * day) })], series("q", ten)))).toEqual([]);
  });
});

describe("what all figures share", () => {
  it("there is no span where there is no evening, and a single one has room about it", () => {
    expect(spanOf(trends([], series("q", [])))).toBeNull();
    const s = spanOf(trends([], series("q", [1])));
    expect((s?.[1] ?? 0) - (s?.[0] ?? 0)).toBe(7 * day);
  });
  it("a value that is no number is left out, and a figure of none is none", () => {
    expect(ownOf(series("q", [NaN, Infinity]))).toBeNull();
    expect(ownOf(series("q", [NaN, 3, 5]))?.median).toBe(4);
  });
  it("one odd evening does not press the others flat; weather alone fills a fifth", () => {
    const calm = ownOf(series("q", Array.from({ length: 60 }, (_, i) => 10 + (i % 3) * 0.1)));
    const odd = ownOf(series("r", Array.from({ length: 60 }, (_, i) => (i === 4 ? 40 : 10 + (i % 3) * 0.1))));
    if (!calm || !odd) throw new Error("neither is none");
    expect(shareOf([calm])).toBe(0.2);
    expect(shareOf([calm, odd])).toBe(0.2);
    expect(odd.hi).toBeGreaterThan(reachOf(odd, 0.2)[1]);
    expect(shareOf([])).toBe(0.2);
  });
  it("a step of 41 % is on the drawing", () => {
    const o = ownOf(series("q", [...Array.from({ length: 30 }, () => 10), ...Array.from({ length: 9 }, () => 14.1)]));
    if (!o) throw new Error("it is not none");
    expect(reachOf(o, shareOf([o]))[1]).toBeGreaterThan(14.1);
  });
  it("a lag about zero has a scale of its own", () => {
    const o = ownOf(series("pressure-lag", [-3, 0, 4]));
    if (!o) throw new Error("it is not none");
    expect(o.shared).toBe(false);
    const [lo, hi] = reachOf(o, 0.2);
    expect(lo).toBeLessThan(-3);
    expect(hi).toBeGreaterThan(4);
  });
  it("a season's rest is a gap, a missed week is none", () => {
    const e = (days: number) => ({ t: first + days * day, v: 1 });
    expect(seasons([e(0), e(7), e(21), e(28), e(200), e(207)]).map((s) => s.length)).toEqual([4, 2]);
    expect(seasons([])).toEqual([]);
  });
});

describe("dates", () => {
  it("names stay apart and years are told as years", () => {
    for (const [width, years] of [[300, 1], [300, 4], [1200, 2], [60, 30]] as const) {
      const to = first + years * 365 * day;
      const ticks = dateTicks(first, to, width, 64, "Europe/London");
      const x = ticks.map((t) => ((t.t - first) / (to - first)) * width);
      expect(x.slice(1).every((v, i) => v - (x[i] ?? 0) >= 54), `${width} px, ${years} years`).toBe(true);
      expect(ticks.filter((t) => t.year).every((t) => /^\d{4}$/.test(t.label))).toBe(true);
    }
  });
  it("a day goes by the shed's calendar, with its year where that is another", () => {
    const t = Date.UTC(2026, 9, 24, 23, 30);
    expect(dateOf(t, t, "Europe/London")).toBe("25 October");
    expect(dateOf(t, t + 400 * day, "UTC")).toBe("24 October 2026");
    expect(dateOf(t, t, "No/Where")).toBe("24 October");
  });
});
