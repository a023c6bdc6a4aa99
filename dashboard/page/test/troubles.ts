/** Alarms, findings and a rest for the page's own tests, in the words of the daemon. */
import type { Alarm, Bearing, Finding, Rest } from "../src/state/wire.ts";

type Kind = Pick<Alarm, "watch" | "title" | "priority" | "consequence" | "action" | "respond_s" | "shelvable_s">;

const minute = 60;
const hour = 3600;

const kinds: readonly Kind[] = [
  {
    watch: "lit-open", title: "Fire with the plugs out", priority: "high", respond_s: 2 * minute, shelvable_s: 0,
    consequence: "Plates and tubes burn dry, and steam comes out of open holes.", action: "Drop the fire. Let no water into the boiler until the plates are cold.",
  },
  {
    watch: "vacuum", title: "Vacuum in the boiler", priority: "medium", respond_s: 30 * minute, shelvable_s: 4 * hour,
    consequence: "Water and dirt are drawn in, joints are strained, and a gauge with a stop shows zero over it.", action: "Open the vent slowly and leave it open.",
  },
  {
    watch: "sensor-fault", title: "A sensor is not to be relied upon", priority: "medium", respond_s: hour, shelvable_s: 24 * hour,
    consequence: "What it should prove cannot be told.", action: "Go by gauge, glass and try cock. Look at the sensor that is named.",
  },
  {
    watch: "clock-wrong", title: "A node's clock is wrong", priority: "low", respond_s: 4 * hour, shelvable_s: 24 * hour,
    consequence: "What it measures counts for nothing.", action: "Set the node's clock, or let it send no times.",
  },
  {
    watch: "tanks-unbalanced", title: "Tanks do not balance", priority: "low", respond_s: hour, shelvable_s: 24 * hour,
    consequence: "The balance pipe is shut, choked or frozen, or a tank leaks; the engine stands lopsided.", action: "Look at the balance pipe and its cocks, and at both tanks.",
  },
  {
    watch: "node-lost", title: "A node is lost", priority: "medium", respond_s: hour, shelvable_s: 24 * hour,
    consequence: "Nothing that its sensors should prove can be told.", action: "Look at its supply and its link. If it was put away, say so.",
  },
  {
    watch: "condensation", title: "Metal at the dew point", priority: "low", respond_s: 24 * hour, shelvable_s: 72 * hour,
    consequence: "Water settles on the steel and it rusts.", action: "Keep damp air out, or warm the firebox a little. Look at the desiccant.",
  },
  {
    watch: "water-low", title: "Water low in the glass", priority: "high", respond_s: 3 * minute, shelvable_s: 0,
    consequence: "The firebox crown runs dry over a fire, softens and gives way.", action: "Blow through the glass. Water in sight: put the injector on. None in sight: drop the fire.",
  },
  {
    watch: "cooling-too-fast", title: "Shell cools too fast", priority: "medium", respond_s: 10 * minute, shelvable_s: 4 * hour,
    consequence: "Plates, stays and tube ends are strained and begin to leak.", action: "Shut the ash pan and the smokebox. Stop blowing down, and put no cold water in.",
  },
  {
    watch: "over-pressure", title: "Pressure over the working pressure", priority: "high", respond_s: 2 * minute, shelvable_s: 0,
    consequence: "The safety valves are all that is left to hold it.", action: "Put the injector on, open the fire door, shut the ash pan. Stand clear of the valves.",
  },
  {
    watch: "fire-relit", title: "Fire seen after it was dropped", priority: "high", respond_s: 10 * minute, shelvable_s: 0,
    consequence: "Heat goes into a boiler that nobody minds, or that is empty.", action: "Look into the firebox. Rake out what burns and shut the damper.",
  },
  {
    watch: "pressure-rising", title: "Pressure rises with the fire out", priority: "high", respond_s: 10 * minute, shelvable_s: 0,
    consequence: "Something heats the boiler while nobody minds it.", action: "Look into the firebox and at the gauge. Let nobody work on the boiler.",
  },
  {
    watch: "co", title: "Carbon monoxide in the shed", priority: "high", respond_s: 2 * minute, shelvable_s: 0,
    consequence: "People are poisoned without noticing.", action: "From 20 ppm: open the doors and find out what burns. From 50: out, unless you must. From 100: everybody out, and count heads.",
  },
  {
    watch: "frost", title: "Frost, with water aboard", priority: "medium", respond_s: 4 * hour, shelvable_s: 24 * hour,
    consequence: "Pumps, injectors, pipes and tanks burst, the barrel last.", action: "Drain tanks, pumps, injectors and pipes, or keep the shed warm.",
  },
  {
    watch: "shell-spread", title: "Top and bottom of the shell far apart", priority: "medium", respond_s: 10 * minute, shelvable_s: 4 * hour,
    consequence: "The barrel bends, and seams and stays are strained.", action: "Stop what cools one end. Let temperatures even out.",
  },
  {
    watch: "sensors-disagree", title: "Two sensors disagree", priority: "medium", respond_s: hour, shelvable_s: 24 * hour,
    consequence: "One of them is wrong, and what rests on them cannot be told.", action: "Believe the worse of the two. Compare with gauge, glass and try cock.",
  },
  {
    watch: "store-trouble", title: "Samples are not kept", priority: "medium", respond_s: hour, shelvable_s: 24 * hour,
    consequence: "The evening's record has a hole, and a restart forgets it.", action: "Look at the disk: is it full, or failing?",
  },
];

/** An alarm of a watch, as it stands. */
export function alarm(engine: string, watch: string, a: Pick<Alarm, "t" | "state" | "text"> & Partial<Alarm>): Alarm {
  const kind = kinds.find((k) => k.watch === watch);
  if (!kind) throw new Error(`no watch ${watch} in test/troubles.ts; add it there`);
  return { id: `${engine}.${watch}`, engine, ...kind, ...a };
}

const iso = (t: number): string => new Date(t).toISOString();

/** An evening on which much is the matter, at time `now` (ms). */
export function troubled(engine: string, now: number): Alarm[] {
  const ago = (min: number): string => iso(now - min * minute * 1000);
  const off = "It is off: the owner has set no limit from the maker's book.";
  return [
    alarm(engine, "water-low", { t: ago(50), state: "suppressed", text: "no fire is in: the water is meant to go, or to stand low" }),
    alarm(engine, "clock-wrong", { t: ago(4), state: "unacknowledged", text: "the shed's node runs 94 s behind" }),
    alarm(engine, "sensor-fault", { t: ago(20), state: "unacknowledged", unseen: true, text: "Bottom of the shell: has not changed for 22 min. Look at the sensor, its cock and its pipe. And 1 more." }),
    alarm(engine, "tanks-unbalanced", { t: ago(31), state: "returned-unacknowledged", text: "left tank 41 %, right tank 38 %" }),
    alarm(engine, "lit-open", { t: ago(1), state: "acknowledged", by: "T. Oxley", text: "a fire is seen, and the plugs are said to be out" }),
    alarm(engine, "node-lost", { t: ago(70), state: "shelved", by: "T. Oxley", until: iso(now + 80 * minute * 1000), text: "being mended" }),
    alarm(engine, "cooling-too-fast", { t: ago(300), state: "suppressed", text: off }),
  ];
}

/** Everything at once, within one minute. */
export const flooded = (engine: string, now: number): Alarm[] =>
  kinds.map((k, i) => alarm(engine, k.watch, { t: iso(now - 60_000 + i * 3_000), state: "unacknowledged", text: `${k.title.toLowerCase()}, as it was measured just now and as a sentence tells it` }));

export function doubtful(now: number): Finding[] {
  return [
    { channel: "boiler.shell.bottom", kind: "frozen", since: iso(now - 22 * minute * 1000), text: "Bottom of the shell: has not changed for 22 min. Look at the sensor, its cock and its pipe." },
    { node: "shed", kind: "clock", since: iso(now - 4 * minute * 1000), text: "The shed's node: its clock runs 94 s behind. Set it, or let it send no times." },
  ];
}

export const borne = (raised: number): Bearing => ({
  raised, per_ten_min: raised === 0 ? 0 : 0.4, last_ten_min: raised === 0 ? 0 : 1, peak_ten_min: raised === 0 ? 0 : 3, flood: false, floods: 0,
  chattering: raised === 0 ? [] : ["sensor-fault"], stale: [],
});

/** A rest of four days, in autumn. */
export function resting(now: number, repairs: readonly string[], wanted: string | undefined): Rest {
  return {
    since: iso(now - 92 * hour * 1000), ...(wanted ? { wanted, advised: "dry" as const } : {}),
    advice: wanted
      ? "Wanted in 12 days: emptied and dry. To 14 days it may also be filled right up and closed, if its water is treated and no frost comes."
      : "Say when the engine is next wanted, and a rest can be advised.",
    watched_h: 91.2, damp_h: 6.4, condensing_h: 1.5, dew_c: 6.3, margin_k: 2.1, at_steel: 74.2, frost_margin_k: 4.4,
    dries_per_h: -0.62, dry_at: iso(now + 31 * hour * 1000),
    reminders: [
      { id: "plugs-back", before: "light-up", due: iso(now), text: "The plugs are said to be out. Before a fire is lit: all plugs and doors back and proved?" },
      ...repairs.map((r, i) => ({ id: `repair-${i + 1}`, before: "light-up", due: iso(now), text: `Booked for repair: ${r}. Is it done?` })),
      { id: "smokebox-door", due: iso(now - 92 * hour * 1000), text: "Smokebox: nobody has said that its door is ajar and its char is out. Damp char eats plates." },
    ],
    repairs: [...repairs],
  };
}

/** No rest: the engine is at work. */
export const working = (repairs: readonly string[]): Rest => ({
  advice: "", watched_h: 0, damp_h: 0, condensing_h: 0,
  reminders: repairs.map((r, i) => ({ id: `repair-${i + 1}`, before: "light-up", due: iso(0), text: `Booked for repair: ${r}. Is it done?` })), repairs: [...repairs],
});
