/** For who is not rung as they think they are: a line, or a few words where there is no room for one. */
import { failing } from "../state/failing.ts";
import { initials, words } from "../words/en.ts";
import { addressOf } from "./place.ts";

export function Failing({ short }: { short?: boolean }) {
  const f = failing.value;
  if (!f) return null;
  // What the other side said stands where it can be mended.
  const text = `${f.who}: ${f.text.replace(/ \(.*\)(?=\.)/, "")}`;
  const to = addressOf("shed", "rings");
  return short ? (
    <a class="touch failing-short" href={to} aria-label={text}>
      <span>{words.ringsFail(initials(f.who))}</span>
    </a>
  ) : (
    <p class="failing" role="status">
      {text} <a href={to}>{words.rings}</a>
    </p>
  );
}
