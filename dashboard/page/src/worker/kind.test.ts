import { expect, test } from "vitest";
import { kindOf } from "./kind.ts";

const page = "https://shed.example/lamp/";
const files = new Set([`${page}assets/index-1a2.js`]);

test.each([
  ["GET", "navigate", "", "page"],
  ["GET", "navigate", "index.html", "page"],
  ["GET", "navigate", "?from=home", "page"],
  ["GET", "no-cors", "assets/index-1a2.js", "file"],
  ["GET", "cors", "assets/index-1a2.js", "file"],
  ["GET", "cors", "assets/other-9f8.js", null],
  ["POST", "cors", "assets/index-1a2.js", null],
  ["GET", "navigate", "rules?engine=quillet", null],
  ["GET", "navigate", "api/v1/engines", null],
  ["GET", "cors", "api/v1/engines", null],
  ["GET", "no-cors", "metrics", null],
  ["GET", "cors", "", null],
  ["GET", "navigate", "assets/index-1a2.js", null],
] as const)("%s %s /%s is %s", (method, mode, path, want) => {
  expect(kindOf({ method, mode, url: page + path }, page, files)).toBe(want);
});

test("what is on another host is never ours", () => expect(kindOf({ method: "GET", mode: "cors", url: "https://elsewhere.example/lamp/assets/index-1a2.js" }, page, files)).toBeNull());
