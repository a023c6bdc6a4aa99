import { createLTTB } from "downsample/methods/LTTB";
import { describe, expect, it } from "vitest";
import type { PastDisposal, Summary } from "../state/wire.ts";
import { bandOf, differsMost, knownTogether, middle, momentOf, outside, passed, sampled, shiftOf, stretches, thin, thinCurve, valueAt, type Run } from "./lay.ts";
import { finding, loss, namesOf } from "./told.ts";

const at = (min: number): string => new Date(Date.UTC(2026, 9, 24, 16, min)).toISOString();
const minute = 60_000;

function evening(id: string, p: Partial<Record<"fire_out" | "blow_down_begun" | "pressure_zero" | "below_boiling", number>>, heat: [number, number, number] | null = null): PastDisposal {
  const passed = Object.fromEntries(
    ["fire_out", "blow_down_begun", "blow_down_finished", "pressure_zero", "below_boiling", "firebox_cool", "smokebox_cool", "touchable", "tanks_empty", "plugs_removed", "barrel_dry"].map((k) => {
      const min = (p as Record<string, number | undefined>)[k];
      return [k, min === undefined ? null : at(min)];
    }),
  );
  const rate = heat && { value: heat[0], lo: heat[1], hi: heat[2], means: 9, effective: 9, hours: 1 };
  return { id, begun: at(0), ended: at(600), summary: { passed, heat_loss: rate } as unknown as Summary };
}

const run = (t: readonly number[], v: readonly number[]): Run => ({ t: Float64Array.from(t), v: Float64Array.from(v) });

describe("what an evening is laid by", () => {
  const e = evening("a", { fire_out: 32, pressure_zero: 108 });
  it("is each evening's own moment", () => {
    expect(momentOf(e, "fire-out")).toBe(Date.parse(at(32)));
    expect(shiftOf(e, "fire-out")).toBe(-32 * minute);
    expect(passed(e, "pressure_zero", momentOf(e, "fire-out"))).toBe(76 * minute);
  });
  it("is not known where the mark was not passed, or nothing was drawn up", () => {
    expect(shiftOf(e, "blow-down")).toBeNull();
    expect(passed(e, "pressure_zero", null)).toBeNull();
    expect(shiftOf({ ...e, summary: null }, "fire-out")).toBeNull();
  });
});

describe("a thinned curve", () => {
  // Against the package "downsample", whose method is the same.
  const theirs = createLTTB<number>({ x: (i: number) => times[i] ?? 0, y: (i: number) => values[i] ?? 0 });
  let times: number[] = [];
  let values: number[] = [];
  it.each([[400, 260], [400, 399], [1200, 100], [5, 3], [4, 3], [97, 10], [263, 260]])("has of %i points the same %i as the reference", (n, most) => {
    let x = 7;
    const chance = (): number => (x = (x * 16_807) % 2_147_483_647) / 2_147_483_647;
    times = Array.from({ length: n }, (_, i) => i * 90_000 + Math.floor(chance() * 30_000));
    values = times.map((_, i) => (i < n / 2 ? 600_000 - 300 * i : 0) + 4_000 * chance());
    const few = thin(run(times, values), most);
    const want = theirs(Array.from({ length: n }, (_, i) => i), most) as number[];
    expect([...few.t]).toEqual(want.map((i) => times[i]));
    expect([...few.v]).toEqual(want.map((i) => values[i]));
  });
});

describe("a curve", () => {
  it("breaks where a value is missing, and where two are too far apart", () => {
    expect(stretches([0, 1, 2, 3, 4], [1, null, 3, 4, 5], Infinity).map((r) => [...r.v])).toEqual([[1], [3, 4, 5]]);
    expect(stretches([0, 1, 9, 10], [1, 2, 3, 4], 5).map((r) => [...r.t])).toEqual([[0, 1], [9, 10]]);
    expect(stretches([0, 1], [NaN, null], 5)).toEqual([]);
    expect(stretches([], [], 5)).toEqual([]);
  });
  it("is never known in its gap, nor beyond its ends", () => {
    const c = [run([0, 10], [0, 10]), run([20, 30], [20, 30])];
    expect([valueAt(c, 5), valueAt(c, 15), valueAt(c, -1), valueAt(c, 31), valueAt(c, 30)]).toEqual([5, NaN, NaN, NaN, 30]);
    expect([...sampled(c, 0, 30, 6)]).toEqual([0, 5, 10, NaN, 20, 25, 30]);
    expect([...sampled(c, -10, 50, 3)]).toEqual([NaN, 10, 30, NaN]);
  });
  it("is thinned with its ends and its corner kept", () => {
    const n = 1200;
    const r = run(Array.from({ length: n }, (_, i) => i), Array.from({ length: n }, (_, i) => (i < 700 ? 6 : 0)));
    const few = thin(r, 100);
    expect(few.t.length).toBeLessThanOrEqual(100);
    expect([few.t[0], few.t[few.t.length - 1]]).toEqual([0, n - 1]);
    const last = [...few.t].filter((_, i) => few.v[i] === 6).at(-1) ?? 0;
    expect(Math.abs(last - 699)).toBeLessThan(n / 100);
    expect(thin(r, 2000)).toBe(r);
    expect([...thin(r, 3).t].length).toBe(3);
    expect(thinCurve([r, r], 200).reduce((k, x) => k + x.t.length, 0)).toBeLessThanOrEqual(200);
  });
});

describe("what evenings have in common", () => {
  const s = (...v: number[]): Float64Array => Float64Array.from(v);
  it("is a band where two or more are known", () => {
    const b = bandOf([s(1, 2, NaN, NaN), s(3, 1, 5, NaN), s(2, 2, NaN, NaN)], 0, 3);
    expect([...b.lo]).toEqual([1, 1, NaN, NaN]);
    expect([...b.hi]).toEqual([3, 2, NaN, NaN]);
  });
  it("tells whether one is ever known together with the band", () => {
    const band = bandOf([Float64Array.of(1, 1, NaN, NaN), Float64Array.of(2, 2, NaN, NaN)], 0, 3);
    expect(knownTogether(Float64Array.of(NaN, 5, NaN, NaN), band)).toBe(true);
    expect(knownTogether(Float64Array.of(NaN, NaN, 5, 5), band)).toBe(false);
    expect(knownTogether(Float64Array.of(NaN, NaN, NaN, NaN), band)).toBe(false);
  });
  it("tells where one lies outside, never where it or they are not known", () => {
    const b = bandOf([s(1, 1, 1, 1, NaN), s(2, 2, 2, 2, NaN)], 0, 4);
    expect(outside(s(3, 1.5, NaN, 0, 9), b, 0.1)).toEqual([{ from: 0, to: 0 }, { from: 3, to: 3 }]);
    expect(outside(s(2.05, 1, 1, 1, 1), b, 0.1)).toEqual([]);
  });
  it("tells where two differ most, and nothing where they never meet", () => {
    expect(differsMost(s(1, 5, NaN), s(1, 2, 9), 0, 20)).toEqual({ at: 10, by: 3 });
    expect(differsMost(s(NaN, 1), s(1, NaN), 0, 1)).toBeNull();
  });
  it("has its middle", () => expect([middle([]), middle([3]), middle([1, 9, 2]), middle([1, 2, 3, 9])]).toEqual([null, 3, 2, 2.5]));
});

describe("what is told", () => {
  const bold = evening("a", { fire_out: 32, pressure_zero: 108 }, [0.155, 0.144, 0.166]);
  const b = evening("b", { fire_out: 30, pressure_zero: 137 }, [0.106, 0.097, 0.115]);
  const c = evening("c", { fire_out: 30, pressure_zero: 147 }, [0.15, 0.14, 0.16]);
  const none = evening("d", { fire_out: 30 });
  it("is how long the bold evening took beside the others", () => {
    expect(finding(bold, [b, c], "fire-out", "24 October")).toBe("24 October came to zero 76 min after fire out; the two others took 107 and 117.");
    expect(finding(bold, [b, none], "fire-out", "24 October")).toBe("24 October came to zero 76 min after fire out; the other evening took 107.");
    expect(finding(bold, [], "fire-out", "24 October")).toBe("24 October came to zero 76 min after fire out.");
    expect(finding(none, [b], "fire-out", "24 October")).toBe("Not known when 24 October came to zero.");
    expect(finding(bold, [b, c, b, c, b], "fire-out", "24 October")).toContain("the five others took 107 in the middle, 107 to 117.");
  });
  it("calls a loss of heat different only where the intervals lie apart", () => {
    expect(loss(bold, [b])).toContain("More than its interval explains.");
    expect(loss(bold, [b, c])).toContain("no difference is proven.");
    expect(loss(none, [b])).toBe("No heat loss could be drawn up for it.");
  });
  it("names evenings with a year or a time only where that is needed", () => {
    const n = namesOf([
      { id: "a", begun: Date.UTC(2026, 9, 24, 16) },
      { id: "b", begun: Date.UTC(2026, 9, 24, 9) },
      { id: "c", begun: Date.UTC(2025, 9, 24, 16) },
      { id: "d", begun: Date.UTC(2026, 4, 2, 16) },
    ], "UTC");
    expect([...n.values()]).toEqual(["24 October 16:00", "24 October 09:00", "24 October 2025", "2 May"]);
  });
});
