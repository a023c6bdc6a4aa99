/** The texts of the engineer's view: its frame, the evenings over each other, and any span. */
import type { Part } from "../engineer/part.ts";
import type { Align, Mark } from "../engineer/lay.ts";
import type { Command } from "../engineer/hand.ts";

const minus = (s: string): string => s.replace("-", "\u2212");

const join = (all: readonly string[]): string => (all.length < 2 ? (all[0] ?? "") : `${all.slice(0, -1).join(", ")} and ${all.at(-1)}`);
const others = (n: number): string => (n === 1 ? "the other evening" : n <= 9 ? `the ${["", "", "two", "three", "four", "five", "six", "seven", "eight", "nine"][n]} others` : `the ${n} others`);
const evenings = (n: number): string => (n === 1 ? "1 evening" : `${n} evenings`);

export const engineerWords = {
  title: (engine: string): string => `${engine} through the years`,
  noneTitle: "Through the years",
  engines: "Engines",
  parts: "Parts of this view",
  part: { evenings: "evenings", curves: "any span", trends: "trends", sensors: "sensors", book: "the engine\u2019s book" } satisfies Record<Part, string>,
  noEngine: (id: string): string => `No engine of this shed has the id \u201c${id}\u201d.`,
  waiting: "Waiting for the shed to name its engines; trying again every 2 s.",
  coming: "Fetching this part.",
  failed: "This part could not be fetched. It comes once the shed is heard again.",
  again: "try again",

  // The list.
  evenings,
  noEvenings: "No evening is kept of this engine yet.",
  noEveningsWhy: "The first comes when a disposal begins: when a person says so, or when the fire is seen to go.",
  fetchingEvenings: "Fetching the evenings.",
  noSuchEvening: (id: string): string => `No evening of this engine has the id \u201c${id}\u201d. The newest is shown.`,
  listTitle: "All evenings",
  listNote: "Minutes are after fire out. A date draws that evening bold; \u201cpull over\u201d lays it under.",
  toYear: "Years",
  year: (y: string, n: number): string => `${y}: ${evenings(n)}`,
  columns: {
    date: "evening",
    blowDown: "blow-down",
    zero: "zero",
    boiling: "below boiling",
    house: "firebox cool",
    loss: "heat loss, 1/h",
    first: "first",
    over: "lay",
  },
  bold: "drawn bold",
  pullOver: "pull over",
  open: "not ended",
  pullLabel: (name: string): string => `pull over ${name}`,

  // The sheet.
  alignOn: "Align on",
  align: { "fire-out": "fire out", "blow-down": "blow-down", "pressure-zero": "zero" } satisfies Record<Align, string>,
  alignFlag: { "fire-out": "fire out", "blow-down": "blow-down", "pressure-zero": "zero" } satisfies Record<Align, string>,
  after: { "fire-out": "after fire out", "blow-down": "after blow-down began", "pressure-zero": "after zero" } satisfies Record<Align, string>,
  under: "Pull over",
  nearest: (n: number): string => `the ${n} before`,
  alone: "none",
  another: "another evening",
  fetching: "Fetching the curves.",
  cannotLay: (names: readonly string[], by: string): string =>
    `${join(names)} cannot be laid by ${by}: when that was is not known.`,
  cannotLayMany: (n: number, by: string): string => `${evenings(n)} cannot be laid by ${by}: when that was is not known.`,
  lacking: (names: readonly string[]): string => `No curve came of ${join(names)}.`,
  tooMany: (n: number): string => `No more than ${n} can be laid over each other. Take one away first.`,

  boiler: (unit: string): string => `Boiler, ${unit}`,
  shell: (unit: string): string => `Shell, ${unit}`,
  firebox: (unit: string): string => `Firebox, ${unit}`,
  boilsAt: (t: string): string => `boils at ${t}`,
  houseAt: (t: string): string => `house at ${t}`,
  cocksFrom: (p: string): string => `cocks from ${p}`,
  notMeasured: "not measured",

  differences: "differences",
  mark: {
    fire_out: "Fire out",
    blow_down_begun: "Blow-down begun",
    blow_down_finished: "Blow-down finished",
    pressure_zero: "Zero",
    plugs_removed: "Plugs out",
    below_boiling: "Below boiling",
    smokebox_cool: "Smokebox cool",
    firebox_cool: "Firebox cool",
    touchable: "Touchable",
    tanks_empty: "Tanks empty",
    barrel_dry: "Barrel dry",
  } satisfies Record<Mark, string>,
  notSeen: "not seen",
  lossRow: "Heat loss",
  lossUnit: "1/h",
  firstRow: "At the beginning",
  middle: "middle",
  quickest: "least",
  slowest: "most",
  tableName: (after: string): string => `Minutes ${after}`,
  minutes: (after: string): string => `min ${after}`,
  ofOthers: (n: number): string => `of ${others(n)}`,

  // What was found.
  finding: {
    took: (name: string, what: string, min: string, from: string): string => `${name} ${what} ${min} ${from}`,
    against: (n: number, all: readonly string[]): string => `; ${others(n)} took ${join(all)}.`,
    againstMany: (n: number, mid: string, lo: string, hi: string): string => `; ${others(n)} took ${mid} in the middle, ${lo} to ${hi}.`,
    againstNone: ".",
    unknown: (name: string, what: string): string => `Not known when ${name} ${what}.`,
    came: { "fire-out": "came to zero", "blow-down": "came to zero", "pressure-zero": "came below boiling" } satisfies Record<Align, string>,
    from: { "fire-out": "after fire out", "blow-down": "after blow-down began", "pressure-zero": "after zero" } satisfies Record<Align, string>,
  },
  loss: {
    told: (v: string, lo: string, hi: string): string => `Its shut boiler lost heat at ${v} per hour (95 %: ${lo} to ${hi})`,
    toldBare: (v: string): string => `Its shut boiler lost heat at ${v} per hour, with no interval`,
    against: (all: readonly string[]): string => `, against ${join(all)}`,
    againstMany: (mid: string, lo: string, hi: string): string => `, against ${mid} in the middle, ${lo} to ${hi}`,
    unknown: "No heat loss could be drawn up for it",
    apart: ". More than its interval explains.",
    notApart: ". Within its interval: no difference is proven.",
    end: ".",
  },
  shaded: (a: string, b: string): string => `Shaded: ${a} against ${b}.`,
  shadedAll: (n: number): string => `Shaded: all of ${others(n)}, lowest to highest.`,
  differs: (what: string, at: string, by: string): string => `${what} differs most at ${at}, by ${by}.`,
  leaves: (name: string, what: string, span: string, longest: boolean): string => `${name} lies outside them in ${what}${longest ? ", longest" : ""} ${span}.`,
  leavesNowhere: (name: string, what: string): string => `${name} lies within them in ${what}.`,
  fromTo: (a: string, b: string): string => `from ${a} to ${b}`,
  pressure: "boiler pressure",
  shellWord: "shell temperature",
  fireboxWord: "firebox temperature",
  reading: (at: string): string => `At ${at}:`,
  readOf: (name: string, figures: readonly string[]): string => `${name} ${figures.join(", ")}`,
  readMiddle: (n: number, figures: readonly string[]): string => `${others(n)} ${figures.join(", ")}`,
  range: (lo: string, hi: string): string => `${lo} to ${hi}`,
  noReading: "no reading",
  readHint: "Point at the sheet, or use the arrow keys, to read it.",

  hand: {
    closer: "closer",
    wider: "wider",
    earlier: "earlier",
    later: "later",
    whole: "the whole",
  } satisfies Record<Command, string>,
  handName: "What is seen",
  howTo: "Drag or arrow keys move; two fingers, + and \u2212, or Ctrl and the wheel come closer.",
  howToSpan: "Drag or arrow keys move; two fingers, + and \u2212, or the wheel come closer.",
  sheetName: (from: string, to: string): string => `Curves from ${from} to ${to}. Arrow keys move, plus and minus come closer, Home shows the whole.`,
  toSecond: "this evening to the second",

  // Counted time: "+76 min", "−30 min", "+1 h 16 min 05 s".
  plain: (ms: number): string => minus(String(Math.round(ms / 60_000))),
  counted: (ms: number, step: number): string => {
    const sign = ms < 0 ? "\u2212" : "+";
    const s = Math.round(Math.abs(ms) / 1000);
    if (step >= 60_000) return s < 600 * 60 ? `${sign}${Math.round(s / 60)}` : `${sign}${Math.floor(s / 3600)} h${s % 3600 ? ` ${Math.round((s % 3600) / 60)}` : ""}`;
    return `${sign}${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;
  },
  lasting: (ms: number): string => {
    const min = ms / 60_000;
    return Math.abs(min) < 600 ? minus(String(Math.round(min))) : `${minus((min / 60).toFixed(1))} h`;
  },
  min: (figure: string): string => (figure.endsWith("h") ? figure : `${figure} min`),

  // Any span.
  span: {
    title: (engine: string, what: string): string => `${engine}, ${what}`,
    channels: "Channels",
    more: "more channels",
    fewer: "fewer",
    show: "Show",
    presets: { all: "everything", year: "a year", month: "a month", day: "a day", hour: "an hour", minute: "a minute" },
    jump: "Go to",
    newest: "the newest evening",
    figures: "What is seen",
    ofChannel: (name: string, lo: string, hi: string, mean: string, unit: string): string => `${name}: ${lo} to ${hi} ${unit}, mean ${mean}.`.replace(" ,", ","),
    nothing: (name: string): string => `${name}: no readings in this span.`,
    gaps: (n: number, longest: string, at: string): string => (n === 1 ? `One gap: ${longest} from ${at}.` : `${n} gaps, the longest ${longest} from ${at}.`),
    notYet: (name: string): string => `${name}: being fetched.`,
    fetching: "being fetched",
    finer: "Finer readings are on their way.",
    bucket: (width: string): string => `Each point is ${width}: mean as a line, lowest to highest shaded.`,
    evening: "Evenings",
    channelName: {
      "boiler.pressure": "Boiler", "boiler.shell.top": "Shell, top", "boiler.shell.bottom": "Shell, bottom", "boiler.level": "Water in the glass",
      "boiler.humidity": "Air in the barrel", "firebox": "Firebox", "smokebox": "Smokebox", "blowdown.pipe": "Blow-down pipe",
      "tank.left.level": "Left tank", "tank.right.level": "Right tank", "ambient.temperature": "Shed air", "ambient.humidity": "Shed humidity",
      "ambient.pressure": "Barometer", "ambient.co": "Carbon monoxide",
    } as Record<string, string>,
    at: (t: string): string => `${t}:`,
    none: "no reading",
    choose: "Choose a channel to draw.",
  },
};
