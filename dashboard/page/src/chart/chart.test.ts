import { describe, expect, it } from "vitest";
import { emptyTrace, extend, runs, type Trace } from "../state/past.ts";
import type { Reading } from "../state/wire.ts";
import { curve, drawer } from "./curve.ts";
import { namedTicks, pastMinutes, pressureScale, pressureTicks, root, timeScale, timeTicks } from "./scale.ts";
import { place } from "./stamps.ts";

describe("the softened root", () => {
  it("is zero at zero and has the sign of the pressure", () => expect([root(0), Math.sign(root(-0.3)), Math.sign(root(3))]).toEqual([0, -1, 1]));
  it("shows the zero band of 0.16 bar as more than a hair on a strip of 180 px", () => {
    const y = pressureScale(6e5, 180);
    expect(y(-8_000) - y(8_000)).toBeGreaterThan(6);
  });
  it("keeps working pressure and a vacuum on the strip", () => {
    const y = pressureScale(6e5, 180);
    expect(y(6e5)).toBeGreaterThan(0);
    expect(y(-0.5e5)).toBeLessThan(180);
  });
  it("names zero first, and keeps names apart", () => {
    for (const h of [0, 40, 180, 500]) {
      const t = pressureTicks(6e5, h, 15, { pressure: "bar", temperature: "C" });
      const ys = t.map((x) => x.y).sort((a, b) => a - b);
      expect(ys.slice(1).every((y, i) => y - (ys[i] ?? 0) >= 15)).toBe(true);
      if (h >= 40) expect(t[0]?.label).toBe("0");
    }
  });
});

describe("the scale of time", () => {
  const now = Date.parse("2026-10-24T15:54:00Z");
  const x = timeScale(now, 90, 540, 376);
  it("has one length of a minute on both sides of the slot", () => {
    expect(x.past(now)).toBe(540);
    expect(x.ahead(now)).toBe(0);
    expect(x.past(now) - x.past(now - 60_000)).toBeCloseTo(x.ahead(now + 60_000));
  });
  it("draws hours on the shed\u2019s own hours, half-hour zones too", () => {
    for (const [zone, minute] of [[0, 0], [19_800_000, 30]] as const) {
      const hours = timeTicks(x.from, x.to, x.pxPerMs, zone).filter((t) => t.weight === "hour");
      expect(hours.length).toBeGreaterThan(0);
      expect(hours.every((t) => new Date(t.t).getUTCMinutes() === minute)).toBe(true);
    }
  });
  it("names no two ticks closer than asked", () => {
    for (const px of [0.3, 0.8, 2, 6]) {
      const s = timeScale(now, 540 / px, 540, 376);
      const named = namedTicks(timeTicks(s.from, s.to, s.pxPerMs, 0), s.pxPerMs, 60).map((t) => s.past(t.t));
      expect(named.slice(1).every((v, i) => v - (named[i] ?? 0) >= 59.9)).toBe(true);
    }
  });
  it.each([[0, 540, 60], [84, 540, 90], [100, 540, 120], [225, 540, 240], [900, 540, 480], [225, 170, 120], [0, 0, 60]])("after %d min on %d px it draws %d min", (elapsed, width, want) => {
    expect(pastMinutes(elapsed, width)).toBe(want);
  });
});

describe("a curve", () => {
  const x = timeScale(3_600_000, 60, 300, 100);
  const trace = (values: (number | null)[], every = 5_000): Trace => ({ gap: 15_000, points: values.map((v, i) => ({ t: i * every, v, lo: v ?? 0, hi: v ?? 0 })) });
  const moves = (d: string): number => (d.match(/M/g) ?? []).length;
  it("is empty where nothing was measured", () => expect(curve(emptyTrace, x, (v) => v)).toEqual({ line: "", spread: "" }));
  it("is one line without a gap, two with one", () => {
    expect(moves(curve(trace([1, 2, 3, 4]), x, (v) => v).line)).toBe(1);
    expect(moves(curve(trace([1, 2, null, 3, 4]), x, (v) => v).line)).toBe(2);
  });
  it("shows a sample that is alone", () => expect(curve(trace([7]), x, (v) => v).line).toContain("h2"));
  it("is thinned to a point a pixel and keeps its corner", () => {
    const values = Array.from({ length: 720 }, (_, i) => (i < 400 ? 6 : 0));
    const d = curve(trace(values), x, (v) => 100 - v).line;
    expect((d.match(/L/g) ?? []).length).toBeLessThanOrEqual(300);
    const points = [...d.matchAll(/[ML]([\d.]+),([\d.]+)/g)].map((m) => [Number(m[1]), Number(m[2])]);
    const last = points.filter(([, y]) => y === 94).at(-1)?.[0] ?? 0;
    expect(Math.abs(last - x.past(399 * 5_000))).toBeLessThan(1.5);
  });
  it("shows a spike within a bucket", () => {
    const t: Trace = { gap: 15_000, points: [0, 1, 2].map((i) => ({ t: i * 5_000, v: 1, lo: 1, hi: i === 1 ? 40 : 1 })) };
    expect(curve(t, x, (v) => v).spread).not.toBe("");
  });
});

describe("stamps", () => {
  it("stand on the side where they hide no change of fill", () => {
    expect(place([{ x: 100, width: 60 }], [70], 300)[0]?.box).toBe(100);
    expect(place([{ x: 100, width: 60 }], [130], 300)[0]?.box).toBe(40);
  });
  it("are a tick alone where there is no room", () => expect(place([{ x: 20, width: 60 }], [], 50)[0]?.box).toBeNull());
  it("never lie over each other, nor over another\u2019s tick; the newest chooses first", () => {
    const got = place([{ x: 100, width: 60 }, { x: 110, width: 60 }, { x: 115, width: 60 }], [], 180);
    const boxes = got.filter((p) => p.box !== null).map((p) => [p.box ?? 0, (p.box ?? 0) + p.width]).sort((a, b) => (a[0] ?? 0) - (b[0] ?? 0));
    expect(boxes.slice(1).every((b, i) => (b[0] ?? 0) >= (boxes[i]?.[1] ?? 0))).toBe(true);
    expect(got[2]?.box).toBe(115);
  });
});

describe("a drawer of a trace that grows", () => {
  const x = timeScale(3_600_000, 60, 300, 100);
  const y = (v: number): number => 100 - v;
  const reading = (at: number, value: number | null): Reading => ({ value, unit: "Pa", quality: value === null ? "bad" : "good", at: new Date(at).toISOString(), age_s: 0, stale: false, fresh_s: 15, uncertainty: 0 });
  // A sample that was alone for a moment keeps its dash of two pixels under the line that followed.
  const ends = (d: string): string[] => [...d.replace(/M[^MLh]*h2/g, "").matchAll(/[ML](-?[\d.]+,-?[\d.]+)/g)].map((m) => m[1] ?? "");

  it("draws what the whole curve draws, through gaps and bad samples, on each scale", () => {
    const draw = drawer();
    let t = emptyTrace;
    for (let i = 0; i < 400; i++) {
      const at = 3_000_000 + i * 1_000 + (i > 200 ? 60_000 : 0);
      t = extend(t, reading(at, i > 90 && i < 95 ? null : (i % 37) + i / 40), 0, 4_000);
      const scale = i % 50 === 0 ? timeScale(3_600_000 + i, 60, 300, 100) : x;
      const whole = curve(t, scale, y);
      const grown = draw(t, scale, y, "y").map((c) => c.line).join("");
      // Each part begins anew at the point before: the same points, some of them twice.
      expect(new Set(ends(grown))).toEqual(new Set(ends(whole.line)));
    }
    expect(ends(curve(t, x, y).line).length).toBeGreaterThan(50);
  });

  it("leaves what has long settled alone", () => {
    const draw = drawer();
    let t = emptyTrace;
    const changes = [0, 0, 0];
    let was: readonly { line: string }[] = [];
    for (let i = 0; i < 2_000; i++) {
      t = extend(t, reading(3_000_000 + i * 100, (i % 37) + i / 400), 0, 1_000);
      const parts = draw(t, x, y, "y");
      parts.forEach((c, k) => (changes[k] = (changes[k] ?? 0) + Number(c.line !== was[k]?.line)));
      was = parts;
    }
    const settled = t.points.length;
    expect(settled).toBeGreaterThan(150);
    expect(changes[0]).toBeLessThan(5);
    expect(changes[1]).toBeLessThan(settled + 5);
    expect(changes[2]).toBeGreaterThan(1_500);
  });

  it("keeps no more points than can be seen, the range of each, and every gap", () => {
    let t = emptyTrace;
    for (let i = 0; i < 1_000; i++) t = extend(t, reading(i * 100 + (i > 500 ? 30_000 : 0), i === 250 ? 99 : 1), 0, 5_000);
    expect(t.points.length).toBeLessThan(50);
    expect(Math.max(...t.points.map((p) => p.hi))).toBe(99);
    expect(runs(t, 0, 1e9).length).toBe(2);
    expect(t.points.at(-1)?.t).toBe(129_900);
  });
});
