import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { clock, day, lasting, offset, onDate, when } from "./clock.ts";
import { asSentence, initials, within, words } from "./en.ts";
import { pressure, retold, spread, temperature } from "./units.ts";

const src = new URL("..", import.meta.url).pathname;
const files = (dir: string): string[] =>
  readdirSync(dir, { withFileTypes: true }).flatMap((e) => (e.isDirectory() ? files(join(dir, e.name)) : [join(dir, e.name)]));

describe("the words", () => {
  const everything = JSON.stringify(words, (_, v: unknown) => (typeof v === "function" ? String(v) : v)).toLowerCase();
  it.each(["safe", "all clear", "you may", "guaranteed", "certified", "interlock"])("never say %j", (w) => expect(everything).not.toContain(w));
  it("stand in one place: no view holds a text of its own", () => {
    const own = files(join(src, "crew"))
      .concat(files(join(src, "parts")))
      .filter((f) => f.endsWith(".tsx"))
      .flatMap((f) => readFileSync(f, "utf8").match(/>\s*[A-Z][a-z]+ [a-z]+[^<{]*</g) ?? []);
    expect(own).toEqual([]);
  });
  it("of views come only through what knows about staleness", () => {
    const past = files(src)
      .filter((f) => /\/(crew|parts|chart)\//.test(f))
      .filter((f) => /from "[^"]*state\/(held|known)\.ts"/.test(readFileSync(f, "utf8")));
    expect(past).toEqual([]);
  });
});

describe("figures in the person's units", () => {
  const bar = { pressure: "bar", temperature: "C" } as const;
  const psi = { pressure: "psi", temperature: "F" } as const;
  it("pressure", () => expect([pressure(312_000, bar), pressure(312_000, psi), pressure(-400, bar), pressure(-21_000, bar)]).toEqual(["3.12", "45.3", "0.00", "\u22120.21"]));
  it("temperature", () => expect([temperature(143, bar), temperature(100, psi), temperature(-0.2, bar), temperature(99.8, psi, 1)]).toEqual(["143", "212", "0", "211.6"]));
  it.each([
    [256, 32, "256 \u00b1 32"],
    [42.7, 5.7, "42.7 \u00b1 5.7"],
    [1.42, 0.2, "1.4 \u00b1 0.2"],
    [16.1, 0.1, "16.1 \u00b1 0.1"],
    [0.161, 0.001, "0.161 \u00b1 0.001"],
    [12300, 1300, "12300 \u00b1 1300"],
    [7, 1, "7 \u00b1 1"],
    [0, 0.5, "0.0 \u00b1 0.5"],
    [-0.3, 0.5, "\u22120.3 \u00b1 0.5"],
  ])("with their uncertainty: %d, %d", (value, u, want) => expect(spread({ value, u })).toBe(want));
  const rows: { in: string; want: string }[] = [
    { in: "Pressure reads 0.02 bar, inside the gauge\u2019s own \u00b10.04 bar, for 5 min of 5.", want: "Pressure reads 0.3 psi, inside the gauge\u2019s own \u00b10.6 psi, for 5 min of 5." },
    { in: "between 0.50 and 3.10 bar", want: "between 7.3 and 45.0 psi" },
    { in: "0.01 bar \u00b1 0.04, twice", want: "0.1 psi \u00b1 0.6, twice" },
    { in: "said at 17:25, 1.00 bar", want: "said at 17:25, 14.5 psi" },
    { in: "\u22120.21 bar", want: "\u22123.0 psi" },
    { in: "is not falling: 410, 405, 400 \u00b0C over the last 10 min", want: "is not falling: 770, 761, 752 \u00b0F over the last 10 min" },
    { in: "has not fallen by 30 K", want: "has not fallen by 54 \u00b0F" },
    { in: "100 \u00b0C \u00b1 2", want: "212 \u00b0F \u00b1 4" },
    { in: "Firebox reads 242 \u00b0C \u00b1 2.5, to be under 400, for 39 min.", want: "Firebox reads 468 \u00b0F \u00b1 4.5, to be under 752, for 39 min." },
    { in: "Smokebox reads 150 \u00b0C \u00b1 2.5, to be under 120.", want: "Smokebox reads 302 \u00b0F \u00b1 4.5, to be under 248." },
    { in: "Pressure reads 0.01 bar \u00b1 0.06, to be between 0.50 bar and 3.10 bar.", want: "Pressure reads 0.1 psi \u00b1 0.9, to be between 7.3 psi and 45.0 psi." },
    { in: "Air in the barrel reads 2 % \u00b1 3, to be at most 40", want: "Air in the barrel reads 2 % \u00b1 3, to be at most 40" },
    { in: "barrel 3 barrels 2 Kelvin", want: "barrel 3 barrels 2 Kelvin" },
    { in: "", want: "" },
  ];
  it.each(rows)("$in", ({ in: text, want }) => expect(retold(text, psi)).toBe(want));
  it("leaves the daemon\u2019s sentence alone where the units are its own", () => expect(retold("0.02 bar", bar)).toBe("0.02 bar"));
});

describe("times", () => {
  const summer = Date.parse("2026-10-24T16:03:00Z");
  it("are the shed\u2019s own", () => expect([clock(summer, "Europe/London"), clock(summer, "Asia/Kolkata")]).toEqual(["17:03", "21:33"]));
  it("name the day", () => expect(day(summer, "Europe/London")).toBe("Saturday 24 October"));
  it("know the zone\u2019s offset", () => expect([offset(summer, "Europe/London"), offset(summer, "Asia/Kolkata"), offset(summer, "UTC")]).toEqual([3_600_000, 19_800_000, 0]));
  it("name the day only where it is another", () =>
    expect([when(summer, summer + 3_600_000, "Europe/London"), when(summer, summer + 86_400_000, "Europe/London"), when(summer, null, "UTC")]).toEqual(["17:03", "Sat 24 Oct 17:03", "Sat 24 Oct 16:03"]));
  const dates: { date: string; zone: string; want: string | number }[] = [
    { date: "2026-11-08", zone: "Europe/London", want: "2026-11-08T08:00:00.000Z" },
    { date: "2026-07-01", zone: "Europe/London", want: "2026-07-01T07:00:00.000Z" },
    { date: "2026-10-25", zone: "Europe/London", want: "2026-10-25T08:00:00.000Z" },
    { date: "2026-03-29", zone: "Europe/London", want: "2026-03-29T07:00:00.000Z" },
    { date: "2026-11-08", zone: "Asia/Kolkata", want: "2026-11-08T02:30:00.000Z" },
    { date: "", zone: "UTC", want: NaN },
    { date: "soon", zone: "UTC", want: NaN },
  ];
  it.each(dates)("eight o\u2019clock on $date in $zone", ({ date, zone, want }) => {
    const t = onDate(date, 8, zone);
    expect(Number.isFinite(t) ? new Date(t).toISOString() : t).toBe(want);
  });
  it("fall back on UTC where a zone is not known", () => expect(clock(summer, "Fernhollow/Shed")).toBe("16:03"));
  it.each([[0, "0 s"], [119, "119 s"], [120, "2 min"], [7_199, "119 min"], [7_200, "2 h"], [7_860, "2 h 11 min"], [200_000, "2 days"], [-5, "0 s"]] as const)("%d s last %j", (s, want) => expect(lasting(s)).toBe(want));
});

describe("names", () => {
  it.each([["R. Penhalow", "R.P."], ["Tom Oxley", "T.O."], ["", ""]])("%j is %j", (name, want) => expect(initials(name)).toBe(want));
  it.each([["Vent open", "vent open"], ["CO clear", "CO clear"], ["", ""]])("%j within a sentence is %j", (t, want) => expect(within(t)).toBe(want));
  it.each([["a fire is seen", "A fire is seen."], ["-0.21 bar in the boiler", "\u22120.21 bar in the boiler."], ["Look at it.", "Look at it."], ["", ""], ["left tank 41 %, right 3-4", "Left tank 41 %, right 3-4."]])(
    "%j as a sentence is %j",
    (t, want) => expect(asSentence(t)).toBe(want),
  );
});
