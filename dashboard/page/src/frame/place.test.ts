import { expect, test } from "vitest";
import { addressOf, placeOf } from "./place.ts";

test("a place is told by the address, and an address by the place", () => {
  expect(placeOf("#/years/no%2022/2031-05-04", 1280)).toEqual({ view: "years", path: ["no 22", "2031-05-04"] });
  expect(placeOf(addressOf("years", "a/b", "%"), 1280)).toEqual({ view: "years", path: ["a/b", "%"] });
});

test("without one a phone opens the shed and a tablet the pit", () => {
  expect(placeOf("", 390).view).toBe("shed");
  expect(placeOf("", 800).view).toBe("pit");
  expect(placeOf("#/nowhere", 1280).view).toBe("pit");
  expect(placeOf("#/years/100%", 1280).path).toEqual(["100%"]);
});
