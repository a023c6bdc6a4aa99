import { describe, expect, it } from "vitest";
import type { Bucket, PastDisposal } from "../state/wire.ts";
import { addressOfChosen, chosenOf, pick } from "./chosen.ts";
import { placeNames } from "./names.ts";
import { whereOf } from "./part.ts";
import { inView, rowsOf } from "./rows.ts";
import { drawable, gapOf, gapsIn, pointsOf, runsOf, tileBuckets, tileSpan, tilesOf, unheld, widthFor, widths, type Tile, type TileId } from "./tiles.ts";

const evening = (id: string, out = true): PastDisposal => ({ id, begun: `2026-10-${id}T16:00:00Z`, ended: `2026-10-${id}T23:00:00Z`, summary: { passed: { fire_out: out ? `2026-10-${id}T16:30:00Z` : null, blow_down_begun: null, pressure_zero: null } } as unknown as PastDisposal["summary"] });

describe("the address", () => {
  it("names an engine, a part, and what follows it", () => {
    expect(whereOf(["quillet", "curves", "a", "b"])).toEqual({ engine: "quillet", part: "curves", rest: ["a", "b"] });
    expect(whereOf(["quillet", "elsewhere", "a"])).toEqual({ engine: "quillet", part: "evenings", rest: [] });
    expect(whereOf([])).toEqual({ engine: "", part: "evenings", rest: [] });
  });
  it("of a choice is read as it was written", () => {
    for (const c of [
      { bold: "24", over: ["10", "08"], by: "pressure-zero" as const },
      { bold: "24", over: [], by: "fire-out" as const },
      { bold: "24", over: null, by: "blow-down" as const },
      { bold: "", over: null, by: "fire-out" as const },
    ]) {
      const path = addressOfChosen("quillet", c).replace("#/years/", "").split("/");
      expect(chosenOf(whereOf(path).rest)).toEqual(c);
    }
  });
});

describe("the evenings that a choice means", () => {
  const all = [evening("24", false), evening("20"), evening("18"), evening("11"), evening("04")];
  const ids = (p: ReturnType<typeof pick>): unknown => p && [p.bold.id, p.over.map((d) => d.id), p.known];
  it("are the newest that can be laid, and the two before it, where nobody chose", () => expect(ids(pick(all, chosenOf([])))).toEqual(["20", ["18", "11"], true]));
  it("are those that were chosen, the newest first", () => expect(ids(pick(all, chosenOf(["11", "over", "04", "20"])))).toEqual(["11", ["20", "04"], true]));
  it("leave out what cannot be laid, and say so", () => expect(pick(all, chosenOf(["20", "over", "24", "18"]))?.cannot.map((d) => d.id)).toEqual(["24"]));
  it("are the newest where the address names none that there is", () => expect(ids(pick(all, chosenOf(["1999"])))).toEqual(["20", ["18", "11"], false]));
  it("are none of none", () => expect(pick([], chosenOf([]))).toBeNull());
});

describe("the rows", () => {
  it("stand under their years, each with its count", () => {
    const rows = rowsOf([evening("24"), evening("20"), { ...evening("18"), begun: "2025-10-18T16:00:00Z" }], (t) => String(new Date(t).getUTCFullYear()));
    expect(rows.map((r) => (r.kind === "year" ? `${r.year} ${r.count}` : r.disposal.id))).toEqual(["2026 2", "24", "20", "2025 1", "18"]);
  });
  it("in the page are those in view and the spare ones", () => {
    expect(inView(5000, 48, 48_000, 900, 12)).toEqual({ first: 988, end: 1031 });
    expect(inView(5000, 48, -400, 900, 12)).toEqual({ first: 0, end: 23 });
    expect(inView(30, 48, 9e6, 900, 12)).toEqual({ first: 30, end: 30 });
    expect(inView(0, 48, 0, 900, 12)).toEqual({ first: 0, end: 0 });
  });
});

describe("tiles", () => {
  const hour = 3_600_000;
  const bucket = (t: number, width: number, v: number | null): Bucket => ({ from: new Date(t).toISOString(), to: new Date(t + width).toISOString(), count: v === null ? 0 : 3, mean: v, min: v, max: v, worst: "good" });
  const tile = (id: TileId): Tile => {
    const buckets = Array.from({ length: 4 }, (_, i) => bucket(tileSpan(id).from + i * id.width, id.width, i));
    return { ...id, buckets, points: pointsOf(buckets), asked: 0, at: 0 };
  };
  it("cover what is seen without a hole, at every width, under a leap year a call", () => {
    for (const w of widths) {
      const seen = { from: 1.7e12 + 12_345, to: 1.7e12 + 12_345 + 900 * w };
      const ids = tilesOf(seen, w);
      expect(tileSpan(ids[0] ?? { width: w, index: 0 }).from).toBeLessThanOrEqual(seen.from);
      expect(tileSpan(ids.at(-1) ?? { width: w, index: 0 }).to).toBeGreaterThanOrEqual(seen.to);
      expect(ids.slice(1).every((id, i) => id.index === (ids[i]?.index ?? 0) + 1)).toBe(true);
      expect(w * tileBuckets).toBeLessThanOrEqual(366 * 24 * hour);
    }
  });
  it("grow wider with what is seen, from a second to a day", () => {
    const at = (span: number): number => widthFor({ from: 0, to: span }, 900);
    expect([at(60_000), at(hour), at(12 * hour), at(20 * 365 * 24 * hour)]).toEqual([1_000, 5_000, 60_000, 24 * hour]);
  });
  it("show a wider one while a finer one is on its way, and nothing as known that was never fetched", () => {
    const seen = { from: 0, to: 4 * 240 * 60_000 };
    const fine = tile({ width: 60_000, index: 1 });
    const wide = tile({ width: 300_000, index: 0 });
    const held = (all: Tile[]) => (id: TileId): Tile | undefined => all.find((t) => t.width === id.width && t.index === id.index);
    expect(drawable(seen, 60_000, held([fine])).map((d) => d.tile.width)).toEqual([60_000]);
    expect(drawable(seen, 60_000, held([fine, wide])).map((d) => d.tile.width)).toEqual([300_000, 60_000, 300_000, 300_000]);
    expect(unheld(seen, 60_000, held([fine, wide]))).toEqual([]);
    expect(unheld(seen, 60_000, held([fine]))).toEqual([{ from: 0, to: 240 * 60_000 }, { from: 2 * 240 * 60_000, to: seen.to }]);
    expect(unheld(seen, 60_000, held([]))).toEqual([seen]);
  });
  it("keep gaps as gaps: a bucket without a number, and one that is left out", () => {
    const points = pointsOf([bucket(0, 1000, 1), bucket(1000, 1000, 2), bucket(2000, 1000, null), bucket(3000, 1000, 3), bucket(90_000, 1000, 4)]);
    expect(runsOf(points, gapOf(1000, 15_000)).map((r) => r.map((p) => p.v))).toEqual([[1, 2], [3], [4]]);
  });
  it("tell gaps only up to the end of what there can be", () => {
    const p = (t: number) => ({ t, v: 1, lo: 1, hi: 1 });
    expect(gapsIn([[p(0), p(10)], [p(50), p(60)]], { from: 0, to: 200 }, 5, 100)).toEqual([{ from: 10, to: 50 }, { from: 60, to: 100 }]);
    expect(gapsIn([], { from: 0, to: 200 }, 5, 100)).toEqual([{ from: 0, to: 100 }]);
    expect(gapsIn([], { from: 150, to: 200 }, 5, 100)).toEqual([]);
  });
});

describe("names of curves", () => {
  const fall = (x: number): number[] => [0, 20, x, 30, x + 6, 180, 600, 180];
  const named = (id: string, x: number) => ({ id, points: fall(x), width: 90, height: 22 });
  const all = [named("a", 150), named("b", 260), named("c", 380)];
  it("lie on no other name, within the strip, and on a leader to their own curve", () => {
    const got = placeNames(all, [], 600, 200);
    expect(got.map((n) => n.id)).toEqual(["a", "b", "c"]);
    for (const [i, n] of got.entries()) {
      expect(n.x).toBeGreaterThanOrEqual(0);
      expect(n.x + 90).toBeLessThanOrEqual(600);
      for (const o of got.slice(i + 1)) expect(n.x + 90 <= o.x || o.x + 90 <= n.x || n.y + 22 <= o.y || o.y + 22 <= n.y).toBe(true);
      // Where the curves lie on each other a leader would tell nothing: it ends on the fall, which each has to itself.
      const x = [150, 260, 380][i] ?? 0;
      expect(n.tip[0]).toBeGreaterThan(x - 60);
      expect(n.tip[0]).toBeLessThan(x + 12);
    }
  });
  it("are left out where there is no room", () => expect(placeNames(all, [], 80, 200)).toEqual([]));
  it("are placed at all among sixty other curves", () => {
    const others = Array.from({ length: 60 }, (_, i) => fall(100 + i * 6));
    expect(placeNames(all, others, 600, 200)).toHaveLength(3);
  });
});
