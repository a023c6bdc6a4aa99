/** Who gives a word on this device. */
import { Touch } from "../parts/Touch.tsx";
import { person } from "../state/own.ts";
import { shed } from "../state/shown.ts";
import { words } from "../words/en.ts";

/** The person chosen, of those that the shed names; the crew where it names none; empty while nobody is chosen. */
export function speaker(): string {
  const people = shed.value?.people ?? [];
  return people.length === 0 ? words.crew : people.includes(person.value) ? person.value : "";
}

/** Asks who it is. */
export function Who() {
  return (
    <div class="who" role="group" aria-label={words.whoIsIt}>
      <span class="press-question">{words.whoIsIt}</span>
      {(shed.value?.people ?? []).map((p) => (
        <Touch key={p} onTouch={() => (person.value = p)}>
          {p}
        </Touch>
      ))}
    </div>
  );
}
