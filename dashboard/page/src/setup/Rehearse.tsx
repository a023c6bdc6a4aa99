/** The sixth stage: an evening played, not to be taken for a real one. */
import { endRehearsal, rehearse, type Setup } from "../link/setup.ts";
import { dayClock } from "../words/clock.ts";
import { setUpWords as words } from "../words/setup.ts";
import { standing } from "./draft.ts";
import { fates, write, zone } from "./kept.ts";
import { Part, Select } from "./Part.tsx";

const part = "rehearsal";
const speeds = ["1", "10", "60", "240"] as const;

export function RehearseStage({ s }: { s: Setup }) {
  const plays = s.rehearsal;
  const first = s.engines[0]?.id ?? "";
  const fate = fates.value[part];
  if (first === "") return <p class="later">{words.rehearsal.none}</p>;
  const engine = standing(`${part}.engine`, first);
  return (
    <section class="rehearsal" aria-label={words.rehearsal.name}>
      <h3>{words.rehearsal.name}</h3>
      <p>{words.rehearsal.how}</p>
      {plays ? (
        <>
          <p>
            {words.rehearsal.plays(plays.name, dayClock(Date.parse(plays.began), zone.value))}{" "}
            {plays.over ? words.rehearsal.over : words.rehearsal.its(dayClock(Date.parse(plays.date), zone.value), words.rehearsal.speedOf(String(plays.speed)))}
          </p>
          <p class="part-foot">
            <a class="writes" href={`${location.protocol}//${location.hostname}:${plays.port}/`} target="_blank" rel="noreferrer">
              {words.rehearsal.open} <small>{words.rehearsal.fresh}</small>
            </a>
            <button type="button" class="writes" onClick={() => void write(part, "", [], () => endRehearsal(), words.rehearsal.stopped)}>
              {fate?.how === "sending" ? words.writing : words.rehearsal.stop}
            </button>
          </p>
          {fate?.how === "refused" && (
            <p class="wrong" role="alert">
              {fate.text}
            </p>
          )}
        </>
      ) : (
        <Part
          id={part}
          press={words.rehearsal.start}
          onWrite={() => {
            const fault = standing(`${part}.fault`, "");
            void write(part, "", ["engine", "speed", "fault"], () => rehearse(s.engines.some((e) => e.id === engine) ? engine : first, Number(standing(`${part}.speed`, "60")), fault), words.rehearsal.started);
          }}
        >
          <Select part={part} name="engine" label={words.rehearsal.engine} written={first} options={s.engines.map((e) => [e.id, e.name] as const)} />
          <Select part={part} name="speed" label={words.rehearsal.speed} written="60" options={speeds.map((x) => [x, words.rehearsal.speedOf(x)] as const)} />
          <Select part={part} name="fault" label={words.rehearsal.fault} written="" options={[["", words.rehearsal.noFault], ...s.faults.map((f) => [f, f] as const)]} />
        </Part>
      )}
    </section>
  );
}
