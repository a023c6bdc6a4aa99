/** A press that tells how its word fares, in its own line. */
import { Press } from "../parts/Press.tsx";
import { sentOf } from "../state/shown.ts";
import { words } from "../words/en.ts";
import { speaker, Who } from "./Who.tsx";

interface Props {
  /** What tells this word from another, as in `link/send.ts`. */
  readonly of: string;
  readonly question: string;
  /** Who says it, and what comes of it. */
  readonly note: (who: string) => string;
  readonly onHeld: (who: string) => void;
}

export function Word({ of, question, note, onHeld }: Props) {
  const who = speaker();
  if (!who) return <Who />;
  const s = sentOf(of);
  const fare = !s ? note(who) : s.how === "sent" ? words.waitingToBeRecorded : s.how === "recorded" ? words.recorded : words.refused(s.text);
  return (
    <Press key={`${of} ${question} ${who}`} question={question} who={who} note={fare} waiting={s?.how === "sent" || s?.how === "recorded"} onHeld={() => onHeld(who)} />
  );
}
