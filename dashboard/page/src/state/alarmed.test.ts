import { describe, expect, it } from "vitest";
import { actUntil, leading, outOfTheWay, pressing, shelves, stands, wantsWord } from "./alarmed.ts";
import type { Alarm } from "./wire.ts";

const alarm = (id: string, state: Alarm["state"], priority: Alarm["priority"], more: Partial<Alarm> = {}): Alarm => ({
  id, t: "2031-05-04T17:00:00Z", engine: "quillet", watch: id, state, priority, text: "", title: id, consequence: "", action: "", respond_s: 600, shelvable_s: 0, ...more,
});

describe("which alarm presses", () => {
  const rows: { name: string; all: Alarm[]; order: string[]; leads: string | null }[] = [
    { name: "none", all: [], order: [], leads: null },
    {
      name: "what nobody knows of before what somebody does",
      all: [alarm("a", "acknowledged", "medium"), alarm("b", "unacknowledged", "medium")], order: ["b", "a"], leads: "b",
    },
    { name: "high before medium before low", all: [alarm("a", "unacknowledged", "low"), alarm("b", "unacknowledged", "medium"), alarm("c", "unacknowledged", "high")], order: ["c", "b", "a"], leads: "c" },
    {
      name: "what is high and still so leads, even where somebody knows; the line asks for the next word",
      all: [alarm("a", "acknowledged", "high"), alarm("b", "unacknowledged", "medium")], order: ["b", "a"], leads: "a",
    },
    { name: "what is high and known of before a low one", all: [alarm("a", "unacknowledged", "low"), alarm("b", "acknowledged", "high")], order: ["b", "a"], leads: "b" },
    { name: "a low one never leads", all: [alarm("a", "unacknowledged", "low")], order: ["a"], leads: null },
    { name: "what is over never leads", all: [alarm("a", "returned-unacknowledged", "high")], order: ["a"], leads: null },
    { name: "a medium one that is known of gives the sentence back", all: [alarm("a", "acknowledged", "medium")], order: ["a"], leads: null },
    {
      name: "of equal ones the newest",
      all: [alarm("a", "unacknowledged", "medium"), alarm("b", "unacknowledged", "medium", { t: "2031-05-04T17:01:00Z" })], order: ["b", "a"], leads: "b",
    },
    {
      name: "what is out of the way does not press",
      all: [alarm("a", "shelved", "high"), alarm("b", "suppressed", "high"), alarm("c", "out-of-service", "high"), alarm("d", "normal", "high")], order: [], leads: null,
    },
  ];
  it.each(rows)("$name", ({ all, order, leads }) => {
    expect(pressing(all).map((a) => a.id)).toEqual(order);
    expect(pressing([...all].reverse()).map((a) => a.id)).toEqual(order);
    expect(leading(all)?.id ?? null).toBe(leads);
  });

  it("nothing of any state is in no list", () => {
    const states: Alarm["state"][] = ["unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "suppressed", "out-of-service"];
    const all = states.flatMap((s) => (["high", "medium", "low"] as const).map((p) => alarm(`${s} ${p}`, s, p)));
    expect([...pressing(all), ...outOfTheWay(all)].map((a) => a.id).sort()).toEqual(all.map((a) => a.id).sort());
  });
  it("shelved ones stand first among those out of the way", () =>
    expect(outOfTheWay([alarm("a", "suppressed", "low"), alarm("b", "out-of-service", "low"), alarm("c", "shelved", "low")]).map((a) => a.id)).toEqual(["c", "b", "a"]));
  it.each([["unacknowledged", true, true], ["acknowledged", true, false], ["returned-unacknowledged", false, true], ["shelved", false, false]] as const)(
    "%s: still so %s, wants a word %s",
    (state, so, word) => expect([stands(alarm("a", state, "low")), wantsWord(alarm("a", state, "low"))]).toEqual([so, word]),
  );
});

describe("how long there is to act", () => {
  it("counts from when it was raised", () => expect(actUntil(alarm("a", "unacknowledged", "low"))).toBe(Date.parse("2031-05-04T17:10:00Z")));
  it("is not told once the time is that of the acknowledgement", () => expect(actUntil(alarm("a", "acknowledged", "low"))).toBeNull());
  it("is not told without a time", () => expect(actUntil(alarm("a", "unacknowledged", "low", { t: "" }))).toBeNull());
  it("is not told without a length", () => expect(actUntil(alarm("a", "unacknowledged", "low", { respond_s: 0 }))).toBeNull());
});

describe("for how long it may be shelved, in minutes", () => {
  it.each([[0, []], [-1, []], [NaN, []], [3600, [15, 60]], [4 * 3600, [15, 60, 240]], [8 * 3600, [15, 60, 240, 480]], [24 * 3600, [60, 240, 480, 1440]], [72 * 3600, [240, 480, 1440, 4320]], [600, [10]]])(
    "%d s allow %j",
    (s, want) => expect(shelves(alarm("a", "unacknowledged", "low", { shelvable_s: s }))).toEqual(want),
  );
});
