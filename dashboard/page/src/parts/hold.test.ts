import { describe, expect, it } from "vitest";
import { begin, complete, filled, frame, idle, remaining, type Hold } from "./hold.ts";

const held = (frames: number[]): Hold => {
  let t = 0;
  return frames.reduce((h, d) => frame(h, (t += d)), begin(0));
};
const sixty = (ms: number): number[] => Array.from({ length: Math.round(ms / 16) }, () => 16);

describe("a hold", () => {
  const rows: { name: string; frames: number[]; done: boolean }[] = [
    { name: "of a whole second", frames: sixty(1_008), done: true },
    { name: "just short of a second", frames: sixty(992), done: false },
    { name: "of one stalled frame counts as a short touch", frames: [5_000], done: false },
    { name: "with a stall in it lasts longer", frames: [...sixty(512), 600, ...sixty(192)], done: false },
    { name: "whose clock runs back counts nothing for it", frames: [...sixty(512), -4_000, ...sixty(192)], done: false },
    { name: "not begun", frames: [], done: false },
  ];
  it.each(rows)("$name: complete is $done", ({ frames, done }) => expect(complete(held(frames))).toBe(done));
  it("never completes while idle", () => expect(complete(frame(idle, 9e9))).toBe(false));
  it("fills evenly, or in quarters where motion is unwanted", () => {
    const h = held(sixty(608));
    expect([filled(h, false), filled(h, true), filled(idle, false)]).toEqual([0.608, 0.5, 0]);
  });
  it("counts down in tenths", () => expect([remaining(begin(0)), remaining(held(sixty(608))), remaining(held(sixty(1_200)))]).toEqual(["1.0", "0.4", "0.0"]));
});
