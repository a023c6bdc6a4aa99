/** The first stage: the shed. */
import { Touch } from "../parts/Touch.tsx";
import { putShed, type Setup, type ShedPut } from "../link/setup.ts";
import { temperatureUnit, pressureUnit } from "../state/own.ts";
import { temperature, temperatureName } from "../words/units.ts";
import { setUpWords as words } from "../words/setup.ts";
import { airAt, boilsAt, withoutBarometerPa } from "./boiling.ts";
import { draft, standing, type as typed } from "./draft.ts";
import { goodId, idOf } from "./field.ts";
import { refuse, write } from "./kept.ts";
import { Folded } from "./Folded.tsx";
import { Part, Text } from "./Part.tsx";
import { entry, numberOf } from "./scale.ts";

const part = "shed";
const zoneHere = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
const zones: readonly string[] = typeof Intl.supportedValuesOf === "function" ? Intl.supportedValuesOf("timeZone") : [];

/** What is written of the shed, as it stands in the fields. Until it has an id nothing was. */
function writtenOf(s: Setup): Record<"name" | "id" | "timezone" | "altitude_m" | "people", string> {
  const named = s.shed.id !== "";
  return {
    name: named ? s.shed.name : "",
    id: s.shed.id,
    timezone: named ? s.shed.timezone : zoneHere,
    altitude_m: named ? entry(s.shed.altitude_m) : "",
    people: s.shed.people.join("\n"),
  };
}

export function ShedStage({ s }: { s: Setup }) {
  const written = writtenOf(s);
  const named = s.shed.id !== "";
  const value = (k: keyof typeof written): string => standing(`${part}.${k}`, written[k]);
  // While no id was ever typed it follows the name.
  const id = draft.value[`${part}.id`] ?? (named ? written.id : idOf(value("name")));
  const height = numberOf(value("altitude_m"));
  const u = { pressure: pressureUnit.value, temperature: temperatureUnit.value };
  const boils = (pa: number): string => `${temperature(boilsAt(pa), u, 1)} ${temperatureName(u)}`;
  const told = height !== null && Number.isFinite(boilsAt(airAt(height) - withoutBarometerPa));

  const onWrite = (): void => {
    const name = value("name").trim();
    const shedId = id.trim();
    if (name === "") return refuse(part, "name", words.empty(words.shed.name));
    if (!goodId(shedId)) return refuse(part, "id", words.badId);
    if (value("timezone").trim() === "") return refuse(part, "timezone", words.empty(words.shed.timezone));
    if (height === null) return refuse(part, "altitude_m", words.empty(words.shed.altitude));
    if (Number.isNaN(height)) return refuse(part, "altitude_m", words.notNumber(words.shed.altitude));
    const people = value("people").split("\n").map((p) => p.trim()).filter(Boolean);
    const put: ShedPut = {
      ...(!named || shedId !== s.shed.id ? { id: shedId } : {}),
      ...(!named || name !== s.shed.name ? { name } : {}),
      ...(!named || value("timezone").trim() !== s.shed.timezone ? { timezone: value("timezone").trim() } : {}),
      ...(!named || height !== s.shed.altitude_m ? { altitude_m: height } : {}),
      ...(!named || people.join("\n") !== s.shed.people.join("\n") ? { people } : {}),
    };
    void write(part, `${part}.`, ["id", "timezone", "altitude_m", "people", "name"], (m) => putShed(m, put));
  };

  const says = (
    <p>
      <strong>{s.shed.name}</strong> ({s.shed.id}), {words.shed.says(s.shed.timezone, entry(s.shed.altitude_m))} {s.shed.people.length > 0 && words.shed.saysPeople(s.shed.people)}
    </p>
  );
  return (
    <Folded part={part} written={named} says={says} label={words.stage.shed}>
    <Part id={part} onWrite={onWrite}>
      <Text part={part} name="name" label={words.shed.name} hint={words.shed.nameHint} written={written.name} />
      <Text part={part} name="id" label={words.shed.id} hint={words.shed.idHint} written={named ? written.id : idOf(value("name"))} />
      <Text part={part} name="timezone" label={words.shed.timezone} hint={words.shed.timezoneHint(zoneHere)} written={written.timezone} among={zones}>
        {!named && value("timezone") !== zoneHere && <Touch onTouch={() => typed(`${part}.timezone`, zoneHere, written.timezone)}>{words.shed.takeZone(zoneHere)}</Touch>}
      </Text>
      <Text
        part={part}
        name="altitude_m"
        label={words.shed.altitude}
        unit="m"
        decimal
        written={written.altitude_m}
        hint={
          told && height !== null
            ? `${words.shed.altitudeHint} ${words.shed.boils(entry(height), boils(airAt(height)), boils(airAt(height) - withoutBarometerPa))}`
            : words.shed.altitudeHint
        }
      />
      <Text part={part} name="people" label={words.shed.people} hint={words.shed.peopleHint} written={written.people} rows={4} wide />
    </Part>
    </Folded>
  );
}
