/** A channel's figures as a person reads and types them; over the wire they are in the channel's own unit. */
import { pascalPerBar, pascalPerPsi } from "../words/units.ts";
import type { Units } from "../state/own.ts";

export interface Scale {
  /** The unit's name, with no space before it; empty where there is none. */
  readonly name: string;
  /** Digits after the point in which a reading is told. */
  readonly digits: number;
  /** The person's figure of the channel's, and back. */
  readonly shown: (v: number) => number;
  readonly meant: (v: number) => number;
  /** The same for a difference or an uncertainty, to which no zero belongs. */
  readonly shownSpread: (v: number) => number;
  readonly meantSpread: (v: number) => number;
}

function linear(name: string, digits: number, factor: number, zero = 0): Scale {
  return {
    name,
    digits,
    shown: (v) => rid(v * factor + zero),
    meant: (v) => rid((v - zero) / factor),
    shownSpread: (v) => rid(v * factor),
    meantSpread: (v) => rid(v / factor),
  };
}

/** 16 bar are 1 600 000 Pa, and not a hair less: the file is read by people. */
const rid = (v: number): number => Number(v.toPrecision(12));

/** How a channel of this id and unit is told to a person with these units. */
export function scaleOf(id: string, unit: string, own: Units): Scale {
  switch (unit) {
    case "Pa":
      if (id.startsWith("ambient.")) return linear("hPa", 1, 0.01);
      return own.pressure === "psi" ? linear("psi", 1, 1 / pascalPerPsi) : linear("bar", 2, 1 / pascalPerBar);
    case "Cel":
      return own.temperature === "F" ? linear("\u00b0F", 1, 9 / 5, 32) : linear("\u00b0C", 1, 1);
    case "/":
      if (id.endsWith(".co")) return linear("ppm", 1, 1e6);
      if (id.startsWith("tank.")) return linear("of the tank", 3, 1);
      return linear(id.endsWith(".level") ? "of the glass" : "", 3, 1);
    case "%RH":
      return linear("%RH", 1, 1);
    default:
      return linear(unit, 3, 1);
  }
}

/** "−0.03"; NaN gives an empty text, never a figure. */
export function figure(v: number, digits: number): string {
  if (!Number.isFinite(v)) return "";
  const s = v.toFixed(digits);
  return /^-0(\.0*)?$/.test(s) ? s.slice(1) : s.replace("-", "\u2212");
}

/** A figure as it is put into a field: as short as it is right to nine digits. */
export const entry = (v: number | null | undefined): string => (v === null || v === undefined || !Number.isFinite(v) ? "" : String(Number(v.toPrecision(9))));

/** The number that a person typed, with a point or a comma; null where the field is empty, NaN where it is none. */
export function numberOf(typed: string): number | null {
  const s = typed.trim().replace("\u2212", "-").replace(",", ".");
  if (s === "") return null;
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(s) ? Number(s) : NaN;
}
