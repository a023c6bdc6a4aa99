import { readFileSync } from "node:fs";
import { expect, it } from "vitest";
import { textOf } from "../../letters.vite.ts";
import * as english from "../words/en.ts";

const css = readFileSync(new URL("letters.css", import.meta.url), "utf8");

const texts = (v: unknown): string[] =>
  typeof v === "string" ? [v] : typeof v === "function" ? [String(v)] : typeof v === "object" && v !== null ? Object.values(v).flatMap(texts) : [];

it.each([500, 600, 700, 800])("weight %d has all that the page writes in its first file", (weight) => {
  const first = new Set(textOf(css, `letters-${weight}.woff2`));
  const missing = [...new Set(texts(english).join(""))].filter((c) => c >= " " && !first.has(c));
  expect(missing).toEqual([]);
});

it("no letter is in both files of a weight, nor in none", () => {
  const whole = textOf(css, "latin-500-normal.woff2");
  const both = [...textOf(css, "letters-500.woff2")].filter((c) => whole.includes(c));
  expect(both).toEqual([]);
  for (let c = 0x20; c <= 0xff; c++) {
    if (c >= 0x7f && c < 0xa0) continue;
    expect(textOf(css, "letters-500.woff2").includes(String.fromCodePoint(c)) || whole.includes(String.fromCodePoint(c)), c.toString(16)).toBe(true);
  }
});
