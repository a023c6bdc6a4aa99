import { expect, test } from "vitest";
import { addressOf, engineOf, placeOf } from "./place.ts";

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

test("a message that is pressed names its engine", () => {
  expect(placeOf("#/pit?engine=quillet", 390)).toEqual({ view: "pit", path: [] });
  expect(placeOf("#/shed/rings?engine=a", 1280)).toEqual({ view: "shed", path: ["rings"] });
  expect(["#/pit?engine=quillet", "#/pit?engine=no%2022%2Fb", "#/pit", "", "#/pit?engine=", "#/pit?engine=100%"].map(engineOf)).toEqual(["quillet", "no 22/b", "", "", "", "100%"]);
});
