/** Figures in the person's units. What comes over the wire is pascal and degree Celsius. */
import type { Units } from "../state/own.ts";

export const pascalPerBar = 100_000;
/** 1 psi = 6894.757 Pa (ISO 80000-4, from the pound-force and the inch). */
export const pascalPerPsi = 6894.757;
const barPerPsi = pascalPerPsi / pascalPerBar;

const minus = (s: string): string => (/^-0(\.0*)?$/.test(s) ? s.slice(1) : s.replace("-", "\u2212"));

/** "3.12" or "45.3": pascal as the person's unit, without its name. */
export function pressure(pa: number, u: Units): string {
  return u.pressure === "bar" ? minus((pa / pascalPerBar).toFixed(2)) : minus((pa / pascalPerPsi).toFixed(1));
}

/** "143" or "289": degree Celsius as the person's unit, without its name. */
export function temperature(c: number, u: Units, digits = 0): string {
  return minus((u.temperature === "C" ? c : fahrenheit(c)).toFixed(digits));
}

/** "256 \u00b1 32": a figure with its expanded uncertainty, in as many digits as that leaves any sense. */
export function spread(q: { readonly value: number; readonly u: number }): string {
  const digits = q.u > 0 ? Math.min(3, Math.max(0, 1 - Math.floor(Math.log10(q.u) + 1e-9))) : 0;
  // A last digit of nought in the uncertainty says nothing more.
  const least = Number(q.u.toFixed(digits)) === Number(q.u.toFixed(Math.max(0, digits - 1))) ? Math.max(0, digits - 1) : digits;
  return `${minus(q.value.toFixed(least))} \u00b1 ${q.u.toFixed(least)}`;
}

export const pressureName = (u: Units): string => u.pressure;
export const temperatureName = (u: Units): string => (u.temperature === "C" ? "\u00b0C" : "\u00b0F");

const fahrenheit = (c: number): number => (c * 9) / 5 + 32;

const number = "[\u2212-]?\\d+(?:\\.\\d+)?";
/** A figure, or several before one unit: "0.31 bar", "0.5 to 3.1 bar", "\u00b10.04 bar", "0.01 bar \u00b1 0.04". */
const figures = `((?<![\\d:.])(?:\u00b1 ?)?${number}(?:(?: to | and |\\.\\.| or |, )(?:\u00b1 ?)?${number})*)( ?)(bar|\u00b0C|K)(?![\\w/])`;
const spreadAfter = `((?: ?\u00b1 ?${number})?)`;
/** A limit told after its reading, without the unit again: "Firebox reads 242 \u00b0C \u00b1 2.5, to be under 400". */
const limitAfter = `((?:, to be (?:under|over|at least|at most|between) ${number}(?: and ${number})?(?![\\d.]*\\d)(?! ?(?:bar|\u00b0C|K\\b|%)))?)`;
const told = new RegExp(figures + spreadAfter + limitAfter, "g");

/**
 * A sentence of the daemon, which speaks bar and \u00b0C, retold in the person's units,
 * so that no page mixes two. A spread (\u00b1) and a difference in K are scaled alone.
 */
export function retold(text: string, u: Units): string {
  if (u.pressure === "bar" && u.temperature === "C") return text;
  return text.replace(told, (all: string, values: string, space: string, unit: string, spread: string, limit: string) => {
    const psi = unit === "bar" && u.pressure === "psi";
    const f = unit !== "bar" && u.temperature === "F";
    if (!psi && !f) return all;
    const retell = (s: string, isSpread: boolean): string => {
      const v = Number(s.replace("\u2212", "-"));
      if (psi) return minus((v / barPerPsi).toFixed(1));
      const digits = s.includes(".") ? 1 : 0;
      return minus((isSpread || unit === "K" ? (v * 9) / 5 : fahrenheit(v)).toFixed(digits));
    };
    const each = new RegExp(`(\u00b1 ?)?(${number})`, "g");
    const again = (s: string, spreadAlone: boolean): string =>
      s.replace(each, (_, pm: string | undefined, n: string) => (pm ?? "") + retell(n, spreadAlone || pm !== undefined));
    const name = psi ? "psi" : "\u00b0F";
    return again(values, false) + space + name + again(spread, true) + again(limit, false);
  });
}
