import { expect, it } from "vitest";
import type { OverlayDisposal } from "../state/wire.ts";
import { curveOf, pack, unpack } from "./pack.ts";

const came = (id: string, s: readonly number[], mean: readonly (number | null)[], at: string | null = "2031-05-04T16:10:00Z"): OverlayDisposal => ({
  id, begun: "2031-05-04T16:00:00Z", ended: "2031-05-05T02:00:00Z", at, why: "", s: [...s], mean: [...mean],
});
const plain = (c: ReturnType<typeof curveOf>): unknown => c.map((r) => [[...r.t], [...r.v]]);

it("counts a curve's time from its evening's beginning, and keeps its gap", () => {
  expect(plain(curveOf(came("a", [-600, 0, 600, 1200], [7, 6, null, 5])))).toEqual([[[0, 600_000], [7, 6]], [[1_800_000], [5]]]);
  expect(plain(curveOf(came("a", [0, 10], [7, 6], null)))).toEqual([[[0, 10_000], [7, 6]]]);
});

it("unpacks what was packed, each curve with its few points", () => {
  const n = 900;
  const many = came("many", Array.from({ length: n }, (_, i) => i), Array.from({ length: n }, (_, i) => (i === 400 ? null : i < 600 ? 6 : 0)));
  const all = [many, came("none", [], []), came("lost", [1, 2], [null, null]), came("few", [1, 2], [3, 4])];
  const p = structuredClone(pack(all, 100));
  const out = unpack(p);
  expect(out.map((o) => o.id)).toEqual(["many", "none", "lost", "few"]);
  for (const [i, o] of out.entries()) expect(plain(o.curve)).toEqual(plain(curveOf(all[i] as OverlayDisposal)));
  expect(out.map((o) => o.few.reduce((k, r) => k + r.t.length, 0))).toEqual([100, 0, 0, 2]);
  // The corner, the gap and the ends stay.
  const few = out[0]?.few ?? [];
  expect([few.length, few[0]?.t[0], few[0]?.t.at(-1), few[1]?.t[0], few[1]?.t.at(-1)]).toEqual([2, 0 + 600_000, 399_000 + 600_000, 401_000 + 600_000, 899_000 + 600_000]);
  expect(Math.abs((few[1]?.t[few[1].v.indexOf(0)] ?? 0) - 1_200_000)).toBeLessThan(9_000);
});

it("gives the points away as one piece", () => {
  const p = pack([came("a", [0, 1], [1, 2]), came("b", [0], [3])], 10);
  const got = structuredClone(p, { transfer: [p.points.buffer] });
  expect(p.points.length).toBe(0);
  expect(unpack(got).map((o) => plain(o.curve))).toEqual([[[[600_000, 601_000], [1, 2]]], [[[600_000], [3]]]]);
});
