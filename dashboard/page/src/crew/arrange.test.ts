import { describe, expect, it } from "vitest";
import { arrange, type Room, type Row } from "./arrange.ts";

const seven = ["drop-fire", "move", "blow-down", "plugs-out", "open-smokebox", "drain", "house"];
const room = (r: Partial<Room> & { doneTo?: number }): Room => ({
  done: (id) => seven.indexOf(id) < (r.doneTo ?? 0), front: seven[r.doneTo ?? 0] ?? null, open: null, spread: false, room: 35, ...r,
});
const told = (rows: Row[]): string[] => rows.map((r) => (r.kind === "lane" ? r.id : `${r.which}(${r.ids.length})`));

describe("arrange", () => {
  const rows: { name: string; r: Parameters<typeof room>[0]; want: string[] }[] = [
    { name: "room for all", r: { room: 60 }, want: seven },
    { name: "the start on a tablet", r: {}, want: ["drop-fire", "move", "blow-down", "later(4)"] },
    { name: "two done on a tablet", r: { doneTo: 2 }, want: ["done(2)", "blow-down", "plugs-out", "later(3)"] },
    { name: "the last in front", r: { doneTo: 6 }, want: ["done(6)", "house"] },
    { name: "all done", r: { doneTo: 7, front: null }, want: ["done(7)"] },
    { name: "an open lane never folds", r: { doneTo: 3, open: "house" }, want: ["done(3)", "plugs-out", "house", "later(2)"] },
    { name: "a done lane that is open stands", r: { doneTo: 3, open: "move" }, want: ["done(2)", "move", "plugs-out", "later(3)"] },
    { name: "spread out by hand", r: { spread: true, room: 1 }, want: seven },
    { name: "no room at all still shows the step in front", r: { room: 0, doneTo: 3 }, want: ["plugs-out", "later(6)"] },
  ];
  it.each(rows)("$name", ({ r, want }) => {
    const got = arrange(seven, room(r));
    expect(told(got)).toEqual(want);
    expect(got.flatMap((x) => (x.kind === "lane" ? [x.id] : x.ids)).sort()).toEqual([...seven].sort());
  });
  it("of nothing is nothing", () => expect(arrange([], room({}))).toEqual([]));
});
