/** A line for who is not rung as they think they are. */
import { failing } from "../state/failing.ts";
import { words } from "../words/en.ts";
import { addressOf } from "./place.ts";

export function Failing() {
  return failing.value ? (
    <p class="failing" role="status">
      {failing.value} <a href={addressOf("shed", "rings")}>{words.rings}</a>
    </p>
  ) : null;
}
