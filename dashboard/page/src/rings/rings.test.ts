import { createHash } from "node:crypto";
import { describe, expect, it } from "vitest";
import type { Alerts, Choice, Letter, Way } from "../link/rings.ts";
import { ringsWords } from "../words/rings.ts";
import { choiceOf, hoursOf, messagesOf, quietParts, reachedBy, readsAs, shownOf, standsOf } from "./choose.ts";
import { bytesOf, wayOf } from "./key.ts";

const choice: Choice = { engines: [], kinds: ["ready", "alarm"], lowest: "medium", pressure: "bar", temperature: "C", after: 0 };
const here = ["quillet", "marrow"];
const name = (id: string): string => ({ quillet: "Quillet", marrow: "Marrow" })[id] ?? id;

describe("what is chosen", () => {
  it("is sent as it was where nothing was typed", () => {
    const all: Choice = { ...choice, engines: ["marrow"], quiet_from: "22:00", quiet_to: "06:00", mail: "a@b.example", webhook: true, after: 2 };
    for (const c of [choice, all]) expect(choiceOf(shownOf(c, {}), here)).toEqual(c);
  });
  const rows: { name: string; typed: Parameters<typeof shownOf>[1]; want: object | string }[] = [
    { name: "only some, and none of them: that would be all", typed: { only: true }, want: ringsWords.chosen.noEngine },
    { name: "only an engine that has left the shed", typed: { only: true, engines: ["gone"] }, want: ringsWords.chosen.noEngine },
    { name: "one that left beside one that is here", typed: { only: true, engines: ["gone", "quillet"] }, want: { ...choice, engines: ["quillet"] } },
    { name: "every engine again, after some", typed: { only: false, engines: ["quillet"] }, want: choice },
    { name: "quiet hours that are proposed", typed: { quiet: true }, want: { ...choice, quiet_from: "22:00", quiet_to: "06:30" } },
    { name: "quiet hours of no length", typed: { quiet: true, quiet_from: "06:30" }, want: ringsWords.chosen.noHours },
    { name: "quiet hours with one emptied are those proposed", typed: { quiet: true, quiet_from: "" }, want: { ...choice, quiet_from: "22:00", quiet_to: "06:30" } },
    { name: "hours typed, and then none", typed: { quiet: false, quiet_from: "21:00" }, want: choice },
    { name: "an address with blanks about it", typed: { mail: " a@b.example " }, want: { ...choice, mail: "a@b.example" } },
    { name: "an address taken away", typed: { mail: "" }, want: choice },
  ];
  it.each(rows)("$name", ({ typed, want }) => expect(choiceOf(shownOf(choice, typed), here)).toEqual(want));
  it("reads as a sentence", () => {
    expect(readsAs(choice, name)).toBe("For every engine of the shed: ready to house and alarms of high and medium priority.");
    expect(readsAs({ ...choice, engines: here, kinds: ["battery"] }, name)).toBe("For Quillet and Marrow: a low battery.");
    expect(readsAs({ ...choice, kinds: [] }, name)).toBe("Nothing is chosen that would ring.");
  });
});

describe("the quiet parts of a day", () => {
  it.each([
    ["22:00", "06:30", [[0, 6.5], [22, 24]]],
    ["00:00", "06:00", [[0, 6]]],
    ["22:00", "00:00", [[22, 24]]],
    ["12:00", "13:15", [[12, 13.25]]],
    ["07:00", "07:00", []],
    ["", "07:00", []],
  ] as const)("from %s to %s", (from, to, want) => expect(quietParts(from, to)).toEqual(want));
  it("a time that is none is not midnight", () => expect([hoursOf(""), hoursOf("7:00"), hoursOf("07:30")]).toEqual([NaN, NaN, 7.5]));
});

describe("a way", () => {
  const mail: Way = { id: "mail", open: true };
  it.each([
    [{ ...mail, open: false, taken: "2031-05-04T17:02:00Z" }, "closed"],
    [{ ...mail, taken: "2031-05-04T17:02:00Z", failed: "2031-05-04T17:03:00Z" }, "fails"],
    [{ ...mail, taken: "2031-05-04T17:02:00Z" }, "takes"],
    [mail, "untried"],
  ] as const)("%j %s", (way, want) => expect(standsOf(way)).toBe(want));
  it("is told as ringing only while it is open, chosen and does not fail", () => {
    const ways: Way[] = [{ id: "push/a", name: "phone", open: true, failed: "2031-05-04T17:03:00Z" }, mail, { id: "webhook", open: true }];
    const of = (c: Partial<Choice>, w = ways): ReturnType<typeof reachedBy> => reachedBy({ person: "", push_key: "", letters: [], watcher: null, ways: w, choice: { ...choice, ...c } } satisfies Alerts);
    expect(of({})).toEqual({ by: [], fails: ["the browser \u201cphone\u201d"] });
    expect(of({ mail: "a@b.example", webhook: true }).by).toEqual(["mail", "the webhook"]);
    expect(of({ mail: "a@b.example" }, [{ ...mail, open: false }])).toEqual({ by: [], fails: [] });
  });
  it("of a browser is known by its address, as the daemon makes it", async () => {
    const endpoint = "https://push.example/send/abc";
    const bits = [...createHash("sha256").update(endpoint).digest().subarray(0, 10)].reduce((n, b) => n * 256n + BigInt(b), 0n);
    let want = "";
    for (let i = 75n; i >= 0n; i -= 5n) want += "abcdefghijklmnopqrstuvwxyz234567"[Number((bits >> i) & 31n)];
    expect(await wayOf(endpoint)).toBe(`push/${want}`);
  });
  it("takes the daemon\u2019s key as bytes", () => expect([...bytesOf("AP_-gA")]).toEqual([0, 255, 254, 128]));
});

it("letters that say the same at the same time are one message", () => {
  const l = (id: string, t: string, line: string): Letter => ({ id, t, line, way: "mail", state: "taken", attempts: 1 });
  expect(messagesOf([l("a", "1", "x"), l("b", "1", "x"), l("c", "1", "y"), l("d", "2", "x")]).map((m) => m.map((x) => x.id))).toEqual([["a", "b"], ["c"], ["d"]]);
});

it("the words never give leave", () => {
  const everything = JSON.stringify(ringsWords, (_, v: unknown) => (typeof v === "function" ? String(v) : v)).toLowerCase();
  for (const w of ["safe", "all clear", "you may", "guaranteed", "certified", "interlock"]) expect(everything).not.toContain(w);
});
