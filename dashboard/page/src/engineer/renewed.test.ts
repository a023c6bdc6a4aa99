import { expect, it } from "vitest";
import { renewed } from "./renewed.ts";

it("leaves what says the same as it was", () => {
  const old = [{ id: "b", ended: 2 }, { id: "a", ended: 1 }];
  expect(renewed(old, structuredClone(old))).toBe(old);
  const now = renewed(old, [{ id: "c", ended: 3 }, { id: "b", ended: 4 }, { id: "a", ended: 1 }]);
  expect(now).toEqual([{ id: "c", ended: 3 }, { id: "b", ended: 4 }, { id: "a", ended: 1 }]);
  expect(now[2]).toBe(old[1]);
  expect(renewed(old, [{ id: "a", ended: 1 }])).toEqual([{ id: "a", ended: 1 }]);
  expect(renewed(old, [old[1] as (typeof old)[0], old[0] as (typeof old)[0]]).map((e) => e.id)).toEqual(["a", "b"]);
  expect(renewed([], [])).toEqual([]);
});
