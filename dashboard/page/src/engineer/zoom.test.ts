import { describe, expect, it } from "vitest";
import { calendarTicks, countedStep, moved, momentAt, multiples, pinched, placeOf, wheelFactor, within, zoomed, type Bounds } from "./zoom.ts";

const b: Bounds = { whole: { from: 0, to: 1000 }, least: 10 };
const second = 1_000;
const day = 86_400_000;

describe("what is seen", () => {
  it.each([
    { name: "within", s: { from: 100, to: 200 }, want: { from: 100, to: 200 } },
    { name: "before the whole", s: { from: -50, to: 50 }, want: { from: 0, to: 100 } },
    { name: "beyond the whole", s: { from: 950, to: 1050 }, want: { from: 900, to: 1000 } },
    { name: "wider than the whole", s: { from: -500, to: 3000 }, want: { from: 0, to: 1000 } },
    { name: "narrower than the least, about its middle", s: { from: 500, to: 502 }, want: { from: 496, to: 506 } },
  ])("$name", ({ s, want }) => expect(within(s, b)).toEqual(want));

  it("is whole where the whole is shorter than the least", () =>
    expect(within({ from: 2, to: 3 }, { whole: { from: 0, to: 5 }, least: 10 })).toEqual({ from: 0, to: 5 }));

  it("keeps the moment under the pointer while it comes closer and goes back", () => {
    let s = { from: 200, to: 800 };
    const about = 350;
    const x = placeOf(s, about, 900);
    for (let i = 0; i < 5; i++) {
      s = zoomed(s, about, 0.7, b);
      expect(placeOf(s, about, 900)).toBeCloseTo(x, 6);
    }
    for (let i = 0; i < 5; i++) s = zoomed(s, about, 1 / 0.7, b);
    expect(s.from).toBeCloseTo(200, 6);
    expect(s.to).toBeCloseTo(800, 6);
  });
  it("comes no closer than the least, and still about the pointer", () => {
    const s = zoomed({ from: 400, to: 420 }, 405, 0.01, b);
    expect(s.to - s.from).toBeCloseTo(10, 9);
    expect((405 - s.from) / 10).toBeCloseTo(0.25, 9);
  });
  it("stops at the ends when it is moved", () => {
    expect(moved({ from: 100, to: 200 }, -500, b)).toEqual({ from: 0, to: 100 });
    expect(moved({ from: 100, to: 200 }, 5000, b)).toEqual({ from: 900, to: 1000 });
  });
  it("keeps what is under two fingers under them", () => {
    const s = { from: 300, to: 700 };
    const got = pinched(s, 800, 200, 400, 150, 550, b);
    expect(placeOf(got, momentAt(s, 200, 800), 800)).toBeCloseTo(150, 6);
    expect(placeOf(got, momentAt(s, 400, 800), 800)).toBeCloseTo(550, 6);
  });
  it("is zoomed alike by a wheel that tells px, lines or pages, and never at a leap", () => {
    expect(wheelFactor(100, 0)).toBeGreaterThan(1);
    expect(wheelFactor(-3, 1)).toBeLessThan(1);
    expect(wheelFactor(1e6, 2)).toBeLessThan(3);
  });
});

describe("the ticks of a counted scale", () => {
  it.each([[240, 900, 70], [4, 900, 70], [10_000, 390, 80]])("of %d min on %d px are %d px apart or more", (min, px, apart) => {
    const s = { from: -30 * 60_000, to: (min - 30) * 60_000 };
    const step = countedStep(s, px, apart);
    expect((step / (s.to - s.from)) * px).toBeGreaterThanOrEqual(apart);
    const all = multiples(s, step);
    expect(all.length).toBeGreaterThan(1);
    expect(all.every((t) => t % step === 0 && t >= s.from && t <= s.to)).toBe(true);
  });
});

describe("the ticks of a calendar", () => {
  const utc = (): number => 0;
  it.each([60 * second, 3_600 * second, day, 40 * day, 900 * day, 9_000 * day])("of %d ms are apart and in order", (span) => {
    const s = { from: Date.UTC(2026, 4, 3, 11, 7, 12), to: Date.UTC(2026, 4, 3, 11, 7, 12) + span };
    const px = calendarTicks(s, 1000, 80, utc).map((t) => placeOf(s, t.t, 1000));
    expect(px.length).toBeGreaterThan(1);
    // Months and years differ in length by a tenth.
    expect(px.slice(1).every((x, i) => x - (px[i] ?? 0) > 70)).toBe(true);
  });
  it("begin days at the zone's midnight, on both sides of a change of the clock", () => {
    // Two hours ahead until 25 October 01:00 UTC, one hour after it.
    const zone = (t: number): number => (t < Date.UTC(2026, 9, 25, 1) ? 2 : 1) * 3_600_000;
    const s = { from: Date.UTC(2026, 9, 23), to: Date.UTC(2026, 9, 28) };
    const days = calendarTicks(s, 900, 120, zone);
    expect(days.map((t) => new Date(t.t).toISOString())).toEqual([
      "2026-10-23T22:00:00.000Z", "2026-10-24T22:00:00.000Z", "2026-10-25T23:00:00.000Z", "2026-10-26T23:00:00.000Z", "2026-10-27T23:00:00.000Z",
    ]);
    expect(days.every((t) => t.unit === "day")).toBe(true);
  });
  it("tell the largest unit that begins", () => {
    const s = { from: Date.UTC(2025, 10, 20), to: Date.UTC(2026, 2, 10) };
    const units = calendarTicks(s, 600, 60, utc).map((t) => t.unit);
    expect(units).toContain("year");
    expect(units).toContain("month");
  });
});
