/**
 * Every text of the page, in one place, so that it can be put into another
 * language. Sentences about the engine itself come from the daemon.
 *
 * The page tells what was proven, by what, how long ago, and what remains to be
 * looked at. It never gives leave to do anything.
 */
import type { Verdict } from "../state/wire.ts";

export const words = {
  verdict: { "proven": "proven", "not-yet": "not yet", "cannot-tell": "cannot tell" } satisfies Record<Verdict, string>,
  sentence: (step: string, verdict: string): string => `${step}: ${verdict}.`,

  /** The heading where no step is in front. */
  noFront: {
    "in-steam": "In steam.",
    "fire-dropped": "Fire dropped.",
    "blowing-down": "Blowing down.",
    "emptied": "Emptied.",
    "cooling": "Cooling.",
    "housed": "Housed.",
    "laid-up": "Laid up.",
    "lighting-up": "Lighting up.",
  } as Record<string, string>,
  noFrontReason: "No step is in front. What was proven stands below, with its time.",

  neverHeard: "Nothing heard yet.",
  neverHeardReason: "Waiting for the shed; trying again every 2 s. Go by the gauge and the glass.",
  lost: (age: string): string => `Nothing heard from the shed for ${age}. Act as if the worst were true; go by the gauge and the glass.`,
  noEngine: "No engine in this shed.",
  noEngineReason: "The configuration names none. Add one, and start the daemon again.",

  provenFor: (age: string): string => `Proven for ${age}: `,
  stillToLook: (what: string): string => `Still to be looked at: ${what}.`,
  heardAgo: (age: string): string => `Heard ${age} ago`,
  heardNow: "Heard just now",
  notHeard: "Not heard",
  now: (t: string): string => `now ${t}`,
  heard: (t: string): string => `heard ${t}`,
  stops: "The sheet stops here until the shed is heard again.",
  lastHeard: (t: string): string => `Last heard ${t}.`,
  tryingAgain: "Trying again every 2 s.",
  old: (age: string): string => `${age} old`,
  never: "no reading",
  notMeasured: "not measured",
  noReading: "no reading",
  pastMissing: (why: string): string => `The past could not be fetched: ${why}`,
  noPast: "No readings kept from before now.",

  strip: {
    boiler: "Boiler",
    shell: "Shell",
    firebox: "Firebox",
  },
  zero: (band: string): string => `zero \u00b1 ${band}`,
  noZero: "zero band not set",
  cocksFrom: (p: string, low: string): string => (low ? `cocks from ${p} down to ${low}` : `cocks from ${p}`),
  boilsAt: (t: string): string => `boils at ${t}`,
  houseAt: (t: string): string => `house at ${t}`,
  fireOutAt: (t: string): string => `fire out at ${t}`,
  noLimit: "no limit set",

  done: (t: string): string => `done ${t}`,
  doneLanes: (names: string): string => `Done: ${names}`,
  laterLanes: (names: string): string => `Later: ${names}`,
  andMore: (names: string, n: number): string => `${names} and ${n} more`,
  count: (n: number, what: string): string => `${n} ${what}`,
  about: (t: string): string => `about ${t}`,
  between: (a: string, b: string): string => `${a} to ${b}`,
  untilAbout: (t: string): string => `until about ${t}`,
  ifBlownDown: "if the cocks are opened now",
  forecastOf: {
    "steam-to-move": "steam to move until",
    "pressure-zero": "zero",
    "below-boiling": "below boiling",
    "firebox-cool": "cool enough to house",
    "house": "house",
    "barrel-dry": "barrel dry",
  } as Record<string, string>,
  noForecast: "No forecast.",
  waitsFor: (what: string): string => `waits for ${what}`,
  whereToLook: (what: string): string => `${what}: cannot tell`,
  whileHolds: "while that holds",
  lapsesWith: (what: string, t: string): string => `${what} lapses ${t}`,

  /** What a step waits for, by evidence; the daemon's own title where one is missing. */
  waits: {
    "water-in-glass": "water in the glass",
    "glasses-proved": "both glasses proved",
    "pressure-in-range": "the pressure",
    "steam-to-move": "steam to move",
    "ash-pan-shut": "the ash pan shut",
    "brake-tried": "the brake tried",
    "fire-out": "the fire to be out",
    "fire-dropped": "the fire dropped",
    "pressure-to-blow-down": "the pressure to fall",
    "at-blow-down-place": "the blow-down place",
    "people-clear": "people clear",
    "pressure-zero": "zero pressure",
    "nothing-left-to-boil": "nothing left to boil",
    "vent-open": "the vent",
    "gauge-tried": "the gauge tried",
    "cocks-run-dry": "the cocks to run dry",
    "smokebox-cool": "the smokebox to cool",
    "blower-shut": "the blower shut",
    "drain-clear": "the drain clear",
    "firebox-touchable": "the firebox to cool",
    "smokebox-touchable": "the smokebox to cool",
    "firebox-cool": "the firebox to cool",
    "tanks-empty": "the tanks to empty",
    "ash-cleared": "the ash cleared",
    "smokebox-ajar": "the smokebox ajar",
    "air-clear": "clear air",
    "pressure-falling": "the pressure to fall",
    "plugs-removed": "the plugs",
    "barrel-dry": "a dry barrel",
  } as Record<string, string>,

  /** Stamps: what a person said, short. */
  stamp: {
    "vent-open": "vent open",
    "cocks-run-dry": "cocks run dry",
    "gauge-tried": "gauge tried",
    "at-blow-down-place": "at the place",
    "people-clear": "people clear",
    "ash-pan-shut": "ash pan shut",
    "brake-tried": "brake tried",
    "glasses-proved": "glasses proved",
    "fire-dropped": "fire dropped",
    "ash-cleared": "ash cleared",
    "smokebox-ajar": "smokebox ajar",
    "blower-shut": "blower shut",
    "drain-clear": "drain clear",
    "plugs-removed": "plugs out",
  } as Record<string, string>,
  stamped: (what: string, by: string, t: string): string => [what, [by, t].filter(Boolean).join(" ")].filter(Boolean).join(", "),
  lapsed: "lapsed",
  takenBack: "taken back",

  openLane: "open",
  byEyeAndEar: "By eye and ear",
  takeBack: "take back",
  takeBackWhat: (what: string): string => `take back: ${what}`,
  saidBy: (who: string, t: string): string => `${who} at ${t}.`,
  lapsesAt: (t: string): string => `Lapses at ${t}.`,
  withheld: "Not known while nothing is heard.",
  noReasons: "No evidence was given for this step.",

  saysSo: (who: string): string => `${who} says so`,
  keepHolding: (who: string): string => `${who} says so: keep holding`,
  hold: "hold 1 s",
  more: (s: string): string => `${s} s more`,
  askedLater: "Asked later",
  waitingToBeRecorded: "Waiting to be recorded",
  recorded: "Recorded",
  refused: (why: string): string => `Not recorded. ${why}`,
  noAnswer: "The shed did not answer. Hold again when it is heard.",
  refusedBare: (status: number): string => `The shed refused it (${status}).`,
  lostMeanwhile: "The link went before an answer came: look at the lane whether it stands.",
  noPresses: "No confirmation can be given while nothing is heard.",
  noPressesMore: (t: string): string => `What was confirmed before ${t} stays in the engine\u2019s book.`,
  nothingAsked: "Nothing is asked of anybody just now.",
  whoIsIt: "Who confirms on this tablet?",
  nobody: "nobody chosen",
  crew: "The crew",

  choices: "Who confirms, and how it is shown",
  choose: { person: "Who confirms", ground: "Ground", pressure: "Pressure", temperature: "Temperature" },
  ground: { day: "day", night: "night", sun: "high sun" },
  temperatureUnit: { C: "\u00b0C", F: "\u00b0F" },
  otherEngine: (name: string): string => `show ${name}`,

  advice:
    "Advice only: operates nothing, holds nothing shut. Look, listen, try the cocks yourself. \u201cCannot tell\u201d: act as if the worst were true. The competent person and local codes come first.",

  alarm: {
    "vacuum": "Vacuum: the boiler is shut and cooling.",
    "pressure-rising": "Pressure is rising.",
    "over-pressure": "Over pressure.",
    "water-low": "Water is low.",
    "fire-relit": "The fire has come back.",
    "lit-open": "Fire, and the plugs are out.",
    "tanks-unbalanced": "The tanks differ.",
    "frost": "Frost, with water aboard.",
    "condensation": "Dew on the metal.",
    "co": "Carbon monoxide.",
    "sensor-fault": "A sensor is at fault.",
    "sensors-disagree": "Two sensors disagree.",
    "node-lost": "A node is silent.",
    "clock-wrong": "A clock is wrong.",
    "store-trouble": "Readings are not being kept.",
    "cooling-too-fast": "Cooling too fast.",
    "shell-spread": "The shell cools unevenly.",
  } as Record<string, string>,
  alarmSince: (t: string): string => `since ${t}`,

  /** What remains to be looked at when a step is proven. */
  look: {
    "drop-fire": "both glasses, and where the fire will fall",
    "move-under-steam": "what holds the engine when the steam is gone",
    "blow-down": "people, points and the path of the jet",
    "plugs-out": "a try cock that neither blows nor sucks",
    "open-smokebox": "char that glows up when a door lets in air",
    "drain-tanks": "where the water runs",
    "reach-in": "metal a hand\u2019s breadth from the sensor",
    "house": "embers, and the air where people will be",
    "seal-dry": "pockets behind stays, the foundation ring, low pipes",
  } as Record<string, string>,

  /** By eye and ear: what no sensor does for the crew, by step. */
  cautions: {
    "drop-fire": [
      "Prove both glasses; water well above the bottom nut: a tenth or more goes as it cools. A boiling level is no reading.",
      "Fire on the ground: place, wind, hose, a clear way out. Never cold water on hot plates.",
    ],
    "move-under-steam": ["The brake may need steam: know what holds the engine when it is gone, and scotch it."],
    "blow-down": [
      "What leaves the cock is at boiling or above. Clear people, animals, points and the path of the jet.",
      "Watch where the water runs. Never refill a hot, empty boiler with cold water.",
    ],
    "plugs-out": [
      "Vent quiet, gauge on its stop, a try cock that neither blows nor sucks: all of them.",
      "Slacken, wait, stand to one side, lowest plug last. Below boiling still scalds: gloves, goggles, long sleeves.",
    ],
    "open-smokebox": ["Char stays hot long after the shell; an opened door feeds air to a fire thought to be out."],
    "drain-tanks": ["See that it runs where it may run, and that it has stopped because the tank is empty."],
    "reach-in": [
      "Metal a hand\u2019s breadth from the sensor can be hotter.",
      "Going inside is confined-space work: permit, air tested and kept fresh, someone outside.",
    ],
    "house": [
      "Embers, gas and steam come in with the engine. Nobody alone until the air is known to be good.",
      "Ash can light something for four days: metal bin, lid, outdoors. Headache or dizziness: get out, get help.",
    ],
    "seal-dry": ["Dry speaks of the air at one sensor: look behind stays, at the foundation ring, in low pipes. Tag what is put in."],
  } as Record<string, readonly string[]>,
  cautionAlways: "If this page and the senses disagree: stop, stand clear, find out why.",
};

/** "R. Penhalow" as "R.P." */
export const initials = (name: string): string =>
  name
    .split(/[\s.]+/)
    .filter(Boolean)
    .map((p) => `${p[0]?.toUpperCase() ?? ""}.`)
    .join("");

/** A title within a sentence: its first letter small, unless the word is all capitals. */
export const within = (title: string): string => (/^[A-Z][a-z]/.test(title) ? title[0]?.toLowerCase() + title.slice(1) : title);
