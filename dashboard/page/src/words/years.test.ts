import { describe, expect, it } from "vitest";
import type { TrendFinding } from "../state/wire.ts";
import { ageOf, change, counted, figure, reading, sized, yearsWords } from "./years.ts";

const bar = { pressure: "bar", temperature: "C" } as const;
const psi = { pressure: "psi", temperature: "F" } as const;

describe("figures", () => {
  it.each([
    ["boiler.pressure", "Pa", 312_000, 6_000, bar, { value: "3.12", spread: "\u00b1 0.06", unit: "bar" }],
    ["boiler.pressure", "Pa", -9_000, 6_000, psi, { value: "\u22121.3", spread: "\u00b1 0.9", unit: "psi" }],
    ["firebox", "Cel", 242.25, 2.5, bar, { value: "242.3", spread: "\u00b1 2.5", unit: "\u00b0C" }],
    ["firebox", "Cel", 100, 2.5, psi, { value: "212.0", spread: "\u00b1 4.5", unit: "\u00b0F" }],
    ["boiler.level", "/", 0.61, 0.03, bar, { value: "61.0", spread: "\u00b1 3.0", unit: "%" }],
    ["ambient.co", "/", 2e-6, 3e-6, bar, { value: "2", spread: "\u00b1 3", unit: "ppm" }],
    ["ambient.pressure", "Pa", 99_153, 300, bar, { value: "991.5", spread: "\u00b1 3.0", unit: "hPa" }],
    ["axlebox.left", "V", 1.23456789, 0, bar, { value: "1.2346", spread: "", unit: "V" }],
  ])("%s in %s", (channel, unit, v, s, u, want) => expect(reading(channel, unit, v, s, u)).toEqual(want));
  it("a trend's figures have the digits of its sentence, and a change its sign", () => {
    expect([figure(0.1493, "per hour"), change(0.043, "per hour"), change(-31.6, "s"), change(0.0001, "per hour"), figure(-0.2, "s")])
      .toEqual(["0.149", "+0.043", "\u221232", "0.000", "0"]);
  });
  it("numbers and sizes are told in groups and units", () => {
    expect([counted(4_120), counted(999), sized(870), sized(87_009), sized(3_400_000)]).toEqual(["4\u00a0120", "999", "870 B", "87 kB", "3.4 MB"]);
  });
  it("an age stands beside what it may be", () => {
    const r = { fresh_s: 60, stale: false } as Parameters<typeof ageOf>[0]["reading"];
    expect(ageOf({ age: 12, reading: r })).toBe("12 s, may be 60 s");
    expect(ageOf({ age: 85, reading: r })).toBe("85 s, over the 60 s it may be");
    expect(ageOf({ age: Infinity, reading: undefined })).toBe("");
  });
});

it("how sure a finding is has its interval, its probability and its evenings", () => {
  const f: TrendFinding = {
    quantity: "heat-loss", unit: "per hour", kind: "step", since: "", until: "", before: 0.106, after: 0.149, change: 0.043, lo: 0.036, hi: 0.049, p: 0.0004,
    evenings_before: 31, evenings_after: 1, text: "",
  };
  const w = yearsWords.trends;
  expect(w.step(f)).toBe("The step is +0.043 per hour (95 %: +0.036 to +0.049), from 0.106 to 0.149 per hour as medians.");
  expect(w.chance(f.p)).toContain("under 0.001");
  expect(w.chance(0.0124)).toContain("= 0.012");
  expect(w.restsStep(1, 31, "18 July", "24 October")).toContain("1 evening from 18 July to 24 October, and on 31 before");
});

it("no word gives leave", () => {
  const texts: string[] = [];
  const gather = (x: unknown): void => {
    if (typeof x === "string") texts.push(x);
    else if (typeof x === "function") texts.push(String(x));
    else if (typeof x === "object" && x !== null) Object.values(x).forEach(gather);
  };
  gather(yearsWords);
  expect(texts.length).toBeGreaterThan(100);
  for (const t of texts) expect(t).not.toMatch(/\bsafe|all clear|you may\b|guarante|certif|interlock/i);
});
