import { describe, expect, it } from "vitest";
import { workerWords } from "../words/worker.ts";
import { pushed, shownAs, turnOf, withTurn, type Pushed, type Turns } from "./ring.ts";

const now = Date.parse("2031-05-04T17:02:00Z");
const ready: Pushed = {
  line: "Quillet is ready to be housed: all that it takes is proven. Look once more, then push it in.",
  tag: "quillet/ready//20310504t170200z",
  place: "#/pit?engine=quillet",
  until: "2031-05-05T17:02:00Z",
  turn: "began",
  n: 1,
  t: "2031-05-04T17:01:30Z",
  wakes: true,
};

describe("a push message on the screen", () => {
  it("says what is the matter in its title and what to do below, and carries its place", () =>
    expect(shownAs(ready, now, 0)).toEqual({
      title: "Quillet is ready to be housed: all that it takes is proven.",
      options: { body: "Look once more, then push it in.", tag: ready.tag, data: { place: "#/pit?engine=quillet", n: 1 }, icon: "icon-192.png", badge: "icon-192.png", timestamp: Date.parse("2031-05-04T17:01:30Z"), renotify: true },
    }));
  it("loses no word of the line", () => {
    for (const line of [ready.line, "Quillet: no longer ready", "Quillet: a. b. c.", "."]) {
      const s = shownAs({ ...ready, line }, now, 0);
      expect([s?.title, s?.options.body].filter(Boolean).join(" ")).toBe(line);
    }
  });
  const rows: { name: string; in: Partial<Pushed>; at?: number; before?: number; sounds?: boolean; late?: boolean; none?: boolean }[] = [
    { name: "what began sounds", in: {}, sounds: true },
    { name: "what became worse sounds again", in: { turn: "worse", n: 2 }, before: 1, sounds: true },
    { name: "the same turn again is silent", in: { turn: "worse", n: 2 }, before: 2 },
    { name: "what is over takes its place silently", in: { turn: "over", n: 2, wakes: false }, before: 1 },
    { name: "what was said of an engine and is not so sounds", in: { turn: "over", n: 2 }, before: 1, sounds: true },
    { name: "what somebody has seen takes its place silently", in: { turn: "seen", n: 2, wakes: false }, before: 1 },
    { name: "a turn that the newer one overtook is not shown", in: { n: 1 }, before: 2, none: true },
    { name: "a moment before its time is over", in: {}, at: Date.parse(ready.until) - 1, sounds: true },
    { name: "at the time that it is over", in: {}, at: Date.parse(ready.until), late: true },
    { name: "days later", in: {}, at: Date.parse(ready.until) + 3 * 86_400_000, late: true },
    { name: "without a time", in: { until: "" }, late: true },
    { name: "with a time that is none", in: { until: "soon" }, late: true },
    { name: "a turn nobody knows is silent", in: { turn: "sideways", wakes: false } },
  ];
  it.each(rows)("$name", ({ in: change, at = now, before = 0, sounds = false, late = false, none = false }) => {
    const s = shownAs({ ...ready, ...change }, at, before);
    if (none) return expect(s).toBeNull();
    expect(s?.options.renotify ?? false).toBe(sounds);
    expect(s?.options.silent ?? false).toBe(!sounds);
    expect(s?.options.body).toBe(late ? workerWords.late : "Look once more, then push it in.");
    if (late) expect(s?.title, "nothing of what was so is told as if it were").toBe(workerWords.lateTitle);
    expect(s?.options.tag).toBe(ready.tag);
  });
});

describe("a push message", () => {
  it("is read as the daemon wrote it", () => expect(pushed(JSON.stringify(ready))).toEqual(ready));
  it.each(["", "x", "null", "[]", "3", "{}", JSON.stringify({ ...ready, line: "" }), JSON.stringify({ ...ready, tag: 3 }), JSON.stringify({ ...ready, n: "1" })])("%s is none", (text) => expect(pushed(text)).toBeNull());
  it.each(["https://elsewhere.example/", "//elsewhere.example", "", "javascript:alert(1)", 3])("a place %j is none of this page", (place) => expect(pushed(JSON.stringify({ ...ready, place }))?.place).toBe("#/shed"));
});

describe("the turns that were shown", () => {
  it("keep the newest of each cause, and forget the oldest causes", () => {
    let turns: Turns = [];
    turns = withTurn(turns, "a", 2);
    turns = withTurn(turns, "a", 1);
    expect([turnOf(turns, "a"), turnOf(turns, "b")]).toEqual([2, 0]);
    for (let i = 0; i < 500; i++) turns = withTurn(turns, `c${i}`, 1);
    expect([turns.length, turnOf(turns, "a"), turnOf(turns, "c499")]).toEqual([500, 0, 1]);
  });
});

it("the words never give leave", () => {
  for (const t of Object.values(workerWords)) expect(t.toLowerCase()).not.toMatch(/safe|all clear|you may|guaranteed|certified|interlock/);
});
