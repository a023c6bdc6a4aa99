/** A number that a node sends in its own way, or a chip on the board's wires, made a channel. */
import { putChannel, type ChannelSet, type Setup } from "../link/setup.ts";
import { pressureUnit, temperatureUnit } from "../state/own.ts";
import { setUpWords as words, titled } from "../words/setup.ts";
import { standing } from "./draft.ts";
import { refuse, write } from "./kept.ts";
import { OneOf, Part, Select, Text } from "./Part.tsx";
import { numberOf, scaleOf } from "./scale.ts";

export type Source =
  | { readonly kind: "mapped"; readonly topic: string; readonly pointer: string; readonly node: string }
  | { readonly kind: "wired"; readonly bus: string; readonly chip: "ads1115" | "mcp9600" | "mcp9601"; readonly address: number };

/** What tells one source from another, without a point: points part the draft's keys. */
export const keyOfSource = (s: Source): string => (s.kind === "mapped" ? `${s.topic}#${s.pointer}` : `${s.bus} ${s.address}`).replace(/\./g, "_");

const other = "*";

/** The channels that could be made: those that the rules judge by and that are not made yet, then a name of one's own. */
function choices(s: Setup, engine: string): readonly (readonly [string, string])[] {
  const taken = new Set((engine === "" ? s.channels : (s.engines.find((e) => e.id === engine)?.channels ?? [])).map((c) => c.id));
  const open = s.known.filter((k) => k.of_shed === (engine === "") && !taken.has(k.id));
  return [["", words.heard.channel], ...open.map((k) => [k.id, `${titled(words.channel(k.id))} (${k.id})`] as const), [other, words.heard.other]];
}

export function Assign({ s, source, onDone }: { s: Setup; source: Source; onDone: () => void }) {
  const part = `assign.${keyOfSource(source)}`;
  const engines: readonly (readonly [string, string])[] = [...s.engines.map((e) => [e.id, e.name] as const), ["", words.heard.air]];
  const first = engines[0]?.[0] ?? "";
  const value = (k: string, written = ""): string => standing(`${part}.${k}`, written);
  const engine = value("engine", first);
  const chosen = value("id");
  const channel = chosen === other ? value("name").trim() : chosen;
  const known = s.known.find((k) => k.id === channel);
  const scale = scaleOf(channel, known?.unit ?? "", { pressure: pressureUnit.value, temperature: temperatureUnit.value });
  const couples = source.kind === "wired" && source.chip !== "ads1115";
  const signal = value("signal", "loop");

  const onWrite = (): void => {
    if (channel === "") return refuse(part, chosen === other ? "name" : "id", words.choose(words.heard.channel));
    const numbers: Record<string, number | null> = {};
    for (const [k, label] of [["scale", words.heard.scale], ["offset", words.heard.offset], ["uncertainty", words.heard.uncertainty], ["low", words.heard.low], ["high", words.heard.high], ["shunt_ohm", words.heard.shunt], ["supply_v", words.heard.supply]] as const) {
      const n = numberOf(value(k));
      if (Number.isNaN(n)) return refuse(part, k, words.notNumber(label));
      numbers[k] = n;
    }
    const opt = <K extends string>(k: K, as: (v: number) => number = (v) => v): Partial<Record<K, number>> => {
      const v = numbers[k];
      return v === null || v === undefined ? {} : ({ [k]: as(v) } as Partial<Record<K, number>>);
    };
    const common = { ...opt("uncertainty", scale.meantSpread), ...opt("low", scale.meant), ...opt("high", scale.meant) };
    const unit = value("unit").trim();
    const set: ChannelSet =
      source.kind === "mapped"
        ? {
            ...common,
            source: "mapped",
            mapped: { topic: source.topic, ...(source.pointer ? { pointer: source.pointer } : {}), ...(unit ? { unit } : {}), ...opt("scale"), ...opt("offset"), ...(source.node ? { node: source.node } : {}) },
          }
        : {
            ...common,
            source: "wired",
            wired: {
              bus: source.bus,
              chip: source.chip,
              address: source.address,
              ...(couples ? { couple: value("couple", "K") as "K" } : { input: Number(value("input", "0")), signal: signal as "loop", ...(signal === "loop" ? opt("shunt_ohm") : opt("supply_v")) }),
            },
          };
    const keys = ["scale", "offset", "uncertainty", "low", "high", "shunt_ohm", "supply_v", "unit", "input", "couple", "id"];
    void write(part, `${part}.`, keys, (m) => putChannel(m, engine, channel, set)).then((done) => {
      if (done) onDone();
    });
  };

  return (
    <Part id={part} onWrite={onWrite}>
      <Select part={part} name="engine" label={words.heard.of} written={first} options={engines} />
      <Select part={part} name="id" label={words.heard.channel} written="" options={choices(s, engine)} />
      {chosen === other && <Text part={part} name="name" label={words.heard.otherName} hint={words.heard.otherHint} written="" />}
      {source.kind === "mapped" && (
        <>
          <Text part={part} name="unit" label={words.heard.unit} hint={words.heard.unitHint(known?.unit ?? "")} written="" />
          <Text part={part} name="scale" label={words.heard.scale} hint={words.heard.scaleHint} decimal written="" />
          <Text part={part} name="offset" label={words.heard.offset} decimal written="" />
        </>
      )}
      {source.kind === "wired" &&
        (couples ? (
          <Select part={part} name="couple" label={words.heard.couple} written="K" options={["K", "J", "T", "N"].map((c) => [c, c] as const)} />
        ) : (
          <>
            <Select part={part} name="input" label={words.heard.input} written="0" options={["0", "1", "2", "3"].map((c) => [c, c] as const)} />
            <OneOf part={part} name="signal" label={words.heard.signal} written="loop" options={["loop", "ratiometric"].map((k) => [k, words.heard.signalOf[k] ?? k] as const)} />
            {signal === "loop" ? (
              <Text part={part} name="shunt_ohm" label={words.heard.shunt} decimal written="" />
            ) : (
              <Text part={part} name="supply_v" label={words.heard.supply} decimal written="" />
            )}
            <Text part={part} name="low" label={words.heard.low} unit={scale.name} hint={words.heard.rangeHint} decimal written="" />
            <Text part={part} name="high" label={words.heard.high} unit={scale.name} decimal written="" />
          </>
        ))}
      <Text part={part} name="uncertainty" label={words.heard.uncertainty} hint={words.heard.uncertaintyHint(words.heard.uncertaintyUnknown)} unit={scale.name} decimal written="" />
    </Part>
  );
}
