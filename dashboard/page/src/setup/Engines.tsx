/** The second stage: what each engine is. */
import { useState } from "preact/hooks";
import { Press } from "../parts/Press.tsx";
import { Touch } from "../parts/Touch.tsx";
import { deleteEngine, putEngine, type EnginePut, type Setup, type SetupEngine } from "../link/setup.ts";
import { pressureUnit } from "../state/own.ts";
import { setUpWords as words } from "../words/setup.ts";
import { draft, standing } from "./draft.ts";
import { goodId, idOf } from "./field.ts";
import { by, fates, refuse, write } from "./kept.ts";
import { Folded } from "./Folded.tsx";
import { OneOf, Part, Text } from "./Part.tsx";
import { entry, figure, numberOf, scaleOf } from "./scale.ts";

const options = (of: Record<string, string>, order: readonly string[]): readonly (readonly [string, string])[] => order.map((k) => [k, of[k] ?? k]);

const keys = ["working_pressure_bar", "boiler_volume_l", "blow_down_pipe", "emptied_by", "lay_up", "tanks", "name", "id"];

/** Working pressure typed in psi is a figure of psi: another unit has another draft. */
const pressureKey = (unit: string): string => (unit === "bar" ? "working_pressure_bar" : `working_pressure_bar:${unit}`);

function One({ e }: { e: SetupEngine | null }) {
  const part = e ? `engine.${e.id}` : "new";
  const scale = scaleOf("boiler.pressure", "Pa", { pressure: pressureUnit.value, temperature: "C" });
  const pressure = pressureKey(scale.name);
  const bar = (v: number): number => scale.shown(v * 1e5);
  const written: Record<string, string> = e
    ? {
        name: e.name,
        [pressure]: e.working_pressure_bar > 0 ? entry(Number(figure(bar(e.working_pressure_bar), scale.name === "bar" ? 4 : 1))) : "",
        boiler_volume_l: e.boiler_volume_l > 0 ? entry(e.boiler_volume_l) : "",
        tanks: String(e.tanks),
        blow_down_pipe: String(e.blow_down_pipe),
        lay_up: e.lay_up,
        emptied_by: e.emptied_by,
      }
    : {};
  const value = (k: string): string => standing(`${part}.${k}`, written[k] ?? "");
  const id = e ? e.id : (draft.value[`${part}.id`] ?? idOf(value("name")));

  const onWrite = (): void => {
    const name = value("name").trim();
    if (name === "") return refuse(part, "name", words.empty(words.engine.name));
    if (!e && !goodId(id.trim())) return refuse(part, "id", words.badId);
    const typedPressure = numberOf(value(pressure));
    const volume = numberOf(value("boiler_volume_l"));
    if (typedPressure === null) return refuse(part, pressure, words.empty(words.engine.pressure));
    if (Number.isNaN(typedPressure)) return refuse(part, pressure, words.notNumber(words.engine.pressure));
    if (volume === null) return refuse(part, "boiler_volume_l", words.empty(words.engine.volume));
    if (Number.isNaN(volume)) return refuse(part, "boiler_volume_l", words.notNumber(words.engine.volume));
    const asked = { tanks: words.engine.tanks, blow_down_pipe: words.engine.pipe, lay_up: words.engine.layUp, emptied_by: words.engine.emptied };
    for (const [k, label] of Object.entries(asked)) if (value(k) === "") return refuse(part, k, words.choose(label));
    const working = Number((scale.meant(typedPressure) / 1e5).toFixed(3));
    const differs = (k: string): boolean => !e || draft.value[`${part}.${k}`] !== undefined;
    const put: EnginePut = {
      ...(differs("name") ? { name } : {}),
      ...(differs(pressure) ? { working_pressure_bar: working } : {}),
      ...(differs("boiler_volume_l") ? { boiler_volume_l: volume } : {}),
      ...(differs("tanks") ? { tanks: Number(value("tanks")) } : {}),
      ...(differs("blow_down_pipe") ? { blow_down_pipe: value("blow_down_pipe") === "true" } : {}),
      ...(differs("lay_up") ? { lay_up: value("lay_up") as "short" | "dry" | "wet" } : {}),
      ...(differs("emptied_by") ? { emptied_by: value("emptied_by") as "cold" | "empty" } : {}),
    };
    if (e && Object.keys(put).length === 0) return refuse(part, "name", words.nothingNew);
    void write(part, `${part}.`, keys.map((k) => (k === "working_pressure_bar" ? pressure : k)), (m) => putEngine(m, id.trim(), put));
  };

  return (
    <Part id={part} onWrite={onWrite}>
      <Text part={part} name="name" label={words.engine.name} hint={words.engine.nameHint} written={written["name"] ?? ""} />
      {!e && <Text part={part} name="id" label={words.engine.id} hint={words.engine.idHint} written={idOf(value("name"))} />}
      <Text part={part} name={pressure} label={words.engine.pressure} hint={words.engine.pressureHint} unit={scale.name} decimal written={written[pressure] ?? ""} />
      <Text part={part} name="boiler_volume_l" label={words.engine.volume} hint={words.engine.volumeHint} unit="l" decimal written={written["boiler_volume_l"] ?? ""} />
      <OneOf part={part} name="tanks" label={words.engine.tanks} written={written["tanks"] ?? ""} options={options(words.engine.tanksOf, ["0", "1", "2"])} />
      <OneOf part={part} name="blow_down_pipe" label={words.engine.pipe} hint={words.engine.pipeHint} written={written["blow_down_pipe"] ?? ""} options={options(words.engine.pipeOf, ["true", "false"])} />
      <OneOf part={part} name="lay_up" label={words.engine.layUp} hint={words.engine.layUpHint} written={written["lay_up"] ?? ""} options={options(words.engine.layUpOf, ["short", "dry", "wet"])} />
      <OneOf part={part} name="emptied_by" label={words.engine.emptied} hint={words.engine.emptiedHint} written={written["emptied_by"] ?? ""} options={options(words.engine.emptiedOf, ["cold", "empty"])} />
    </Part>
  );
}

/** Held for a second: what it takes out was work to put in. */
export function TakeOut({ part, question, note, onHeld }: { part: string; question: string; note: string; onHeld: () => void }) {
  const fate = fates.value[part];
  return <Press question={question} who={by.value} note={fate?.how === "refused" ? fate.text : note} waiting={fate?.how === "sending"} onHeld={onHeld} />;
}

function Says({ e }: { e: SetupEngine }) {
  const scale = scaleOf("boiler.pressure", "Pa", { pressure: pressureUnit.value, temperature: "C" });
  const working = `${figure(scale.shown(e.working_pressure_bar * 1e5), 1)} ${scale.name}`;
  const w = words.engine;
  return <p>{[w.says(working, entry(e.boiler_volume_l)), w.saysTanks[e.tanks], w.saysPipe[String(e.blow_down_pipe)], w.saysLayUp[e.lay_up], w.saysEmptied[e.emptied_by]].filter(Boolean).join(" ")}</p>;
}

export function EnginesStage({ s }: { s: Setup }) {
  const [adding, add] = useState(false);
  const typing = Object.keys(draft.value).some((k) => k.startsWith("new."));
  if (s.shed.id === "") return <p class="later">{words.engine.wantsShed}</p>;
  return (
    <>
      {s.engines.map((e) => (
        <section key={e.id} class="sub" aria-label={e.name}>
          <h3>
            {e.name} <small>{e.id}</small>
          </h3>
          <Folded part={`engine.${e.id}`} written label={e.name} says={<Says e={e} />}>
          <One e={e} />
          <TakeOut part={`out.${e.id}`} question={words.engine.out(e.name)} note={words.engine.outNote} onHeld={() => void write(`out.${e.id}`, `engine.${e.id}.`, [], (m) => deleteEngine(m, e.id))} />
          </Folded>
        </section>
      ))}
      <section class="sub" aria-label={s.engines.length === 0 ? words.engine.first : words.engine.fresh}>
        <h3>{s.engines.length === 0 ? words.engine.first : words.engine.fresh}</h3>
        {s.engines.length === 0 || adding || typing ? <One e={null} /> : <Touch onTouch={() => add(true)}>{words.engine.add}</Touch>}
      </section>
    </>
  );
}
