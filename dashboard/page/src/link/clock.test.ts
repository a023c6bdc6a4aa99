import { describe, expect, it } from "vitest";
import { furthest } from "./clock.ts";

describe("the clock of silence", () => {
  const rows: { name: string; reads: [steady: number, wall: number][]; want: number }[] = [
    { name: "both go on alike", reads: [[100, 5_100]], want: 100 },
    { name: "the steady one slept", reads: [[100, 65_000]], want: 60_000 },
    { name: "the wall was set back", reads: [[100, -3_000_000]], want: 100 },
    { name: "the wall was set ahead and back: it goes on after", reads: [[0, 3_605_000], [0, 5_000], [900, 5_900]], want: 3_600_900 },
    { name: "neither moved", reads: [[0, 5_000]], want: 0 },
  ];
  it.each(rows)("$name", ({ reads, want }) => {
    let now: [number, number] = [0, 5_000];
    const clock = furthest({ steady: () => now[0], wall: () => now[1] });
    let got = 0;
    for (const r of reads) {
      now = r;
      got = clock();
    }
    expect(got).toBe(want);
  });
});
