import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";

const css = readFileSync(new URL("tokens.css", import.meta.url), "utf8");

function tokens(ground: string): Record<string, string> {
  const block = new RegExp(`\\[data-ground="${ground}"\\] \\{([^}]*)\\}`).exec(css)?.[1] ?? "";
  return Object.fromEntries([...block.matchAll(/--([\w-]+): (#[0-9A-Fa-f]{6})/g)].map((m) => [m[1] ?? "", m[2] ?? ""]));
}

/** Contrast by the WCAG 2.2 definitions of relative luminance and contrast ratio. */
function contrast(a: string, b: string): number {
  const luminance = (hex: string): number => {
    const [r, g, bl] = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * (r ?? 0) + 0.7152 * (g ?? 0) + 0.0722 * (bl ?? 0);
  };
  const [x, y] = [luminance(a), luminance(b)];
  return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
}

describe.each(["day", "night", "sun"])("on the ground %s", (ground) => {
  const t = tokens(ground);
  const pairs: [string, string][] = [
    ["ink", "paper"], ["ink", "slot"], ["ink", "fan"], ["ink-2", "paper"], ["ink-2", "slot"], ["touch", "paper"], ["touch", "press"], ["signal", "paper"], ["signal", "slot"],
  ];
  it.each(pairs)("%s on %s is 7:1 or more", (a, b) => {
    expect(t[a], a).toBeDefined();
    expect(t[b], b).toBeDefined();
    expect(contrast(t[a] ?? "#000000", t[b] ?? "#000000")).toBeGreaterThanOrEqual(7);
  });
});

describe("contrast", () => {
  it("is 21 of black on white, as WCAG has it", () => expect(contrast("#000000", "#FFFFFF")).toBeCloseTo(21));
});
