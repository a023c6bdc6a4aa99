/** What a channel's instrument is worth: altered, or taken out. */
import { deleteChannel, putChannel, type ChannelSet, type Setup, type SetupChannel } from "../link/setup.ts";
import { pressureUnit, temperatureUnit } from "../state/own.ts";
import { setUpWords as words } from "../words/setup.ts";
import { draft, standing } from "./draft.ts";
import { TakeOut } from "./Engines.tsx";
import { refuse, write } from "./kept.ts";
import { OneOf, Part, Text } from "./Part.tsx";
import { entry, figure, numberOf, scaleOf } from "./scale.ts";

export function Alter({ s, engine, c }: { s: Setup; engine: string; c: SetupChannel }) {
  const part = `channel.${engine || "shed"}/${c.id.replace(/\./g, "_")}`;
  const scale = scaleOf(c.id, c.unit, { pressure: pressureUnit.value, temperature: temperatureUnit.value });
  const unit = scale.name.replace(/\W/g, "");
  // A figure typed in one unit is none in another: each has its own draft.
  const key = (k: string): string => `${k}:${unit}`;
  const written: Record<string, string> = {
    [key("uncertainty")]: c.uncertainty === null ? "" : entry(scale.shownSpread(c.uncertainty)),
    [key("low")]: c.low === null ? "" : entry(scale.shown(c.low)),
    [key("high")]: c.high === null ? "" : entry(scale.shown(c.high)),
    reference: c.absolute ? "absolute" : "gauge",
    interval_s: c.interval_s > 0 ? entry(c.interval_s) : "",
  };
  const text = (k: string): string => written[k] ?? "";
  const known = s.known.find((k) => k.id === c.id);
  const byDefault = known ? `${figure(scale.shownSpread(known.uncertainty), scale.digits)} ${scale.name}` : words.heard.uncertaintyUnknown;

  const onWrite = (): void => {
    const set: { -readonly [K in keyof ChannelSet]: ChannelSet[K] } = {};
    const labels = { uncertainty: words.heard.uncertainty, low: words.heard.low, high: words.heard.high };
    for (const [k, label] of Object.entries(labels) as [keyof typeof labels, string][]) {
      if (draft.value[`${part}.${key(k)}`] === undefined) continue;
      const n = numberOf(standing(`${part}.${key(k)}`, text(key(k))));
      if (n === null) return refuse(part, key(k), words.empty(label));
      if (Number.isNaN(n)) return refuse(part, key(k), words.notNumber(label));
      set[k] = k === "uncertainty" ? scale.meantSpread(n) : scale.meant(n);
    }
    // The two ends of a range belong together.
    if (set.low !== undefined && set.high === undefined && c.high !== null) set.high = c.high;
    if (set.high !== undefined && set.low === undefined && c.low !== null) set.low = c.low;
    const interval = draft.value[`${part}.interval_s`];
    if (interval !== undefined) {
      const n = numberOf(interval);
      if (Number.isNaN(n)) return refuse(part, "interval_s", words.notNumber(words.heard.interval));
      set.interval_s = n ?? 0;
    }
    const reference = draft.value[`${part}.reference`];
    if (reference !== undefined) set.absolute = reference === "absolute";
    if (Object.keys(set).length === 0) return refuse(part, key("uncertainty"), words.nothingNew);
    const keys = ["uncertainty", "low", "high"].map(key).concat("reference", "interval_s");
    void write(part, `${part}.`, keys, (m) => putChannel(m, engine, c.id, set));
  };

  const out = `out.${engine}.${c.id}`;
  return (
    <div class="alter">
      <Part id={part} onWrite={onWrite}>
        <Text part={part} name={key("uncertainty")} label={words.heard.uncertainty} hint={words.heard.uncertaintyHint(byDefault)} unit={scale.name} decimal written={text(key("uncertainty"))} />
        <Text part={part} name={key("low")} label={words.heard.low} hint={words.heard.rangeHint} unit={scale.name} decimal written={text(key("low"))} />
        <Text part={part} name={key("high")} label={words.heard.high} unit={scale.name} decimal written={text(key("high"))} />
        {c.unit === "Pa" && !c.id.startsWith("ambient.") && (
          <OneOf part={part} name="reference" label={words.heard.reference} written={text("reference")} options={["gauge", "absolute"].map((k) => [k, words.heard.referenceOf[k] ?? k] as const)} />
        )}
        <Text part={part} name="interval_s" label={words.heard.interval} hint={words.heard.intervalHint} unit="s" decimal written={text("interval_s")} />
      </Part>
      <TakeOut part={out} question={words.heard.out(words.channel(c.id))} note={words.heard.outNote} onHeld={() => void write(out, `${part}.`, [], (m) => deleteChannel(m, engine, c.id))} />
    </div>
  );
}
