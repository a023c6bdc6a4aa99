/** What was found and booked for repair: it travels with the engine to its next steaming. */
import { useState } from "preact/hooks";
import { Touch } from "../parts/Touch.tsx";
import { ofRest, restKey } from "../link/send.ts";
import { repairs } from "../state/rest.ts";
import { words } from "../words/en.ts";
import { Word } from "./Word.tsx";

/** The longest that may be booked, in characters, as the call has it. */
const longest = 200;

export function Repairs() {
  const all = repairs.value;
  const [asked, setAsked] = useState<string | null>(null);
  const [booking, setBooking] = useState(false);
  const [what, setWhat] = useState("");
  const text = what.trim();
  return (
    <div class="repairs">
      {all.length === 0 && <p class="list-none">{words.rest.noRepairs}</p>}
      {all.map((r) => (
        <div key={r} class="list-row">
          <span class="list-text">{r}</span>
          {asked === r ? (
            <Done repair={r} />
          ) : (
            <Touch label={words.rest.doneWhich(r)} onTouch={() => setAsked(r)}>
              {words.rest.done}
            </Touch>
          )}
        </div>
      ))}
      {!booking ? (
        <Touch expanded={false} onTouch={() => setBooking(true)}>
          {words.rest.book}
        </Touch>
      ) : (
        <div class="form">
          <label>
            <span>{words.rest.bookWhat}</span>
            <input type="text" maxLength={longest} value={what} onInput={(e) => setWhat(e.currentTarget.value)} />
          </label>
          {text !== "" && (
            <Word
              of={restKey({ repair: text, done: false })}
              question={words.rest.bookAsk(text)}
              note={words.saysSo}
              onHeld={(who) => {
                ofRest({ repair: text, done: false }, who);
                setWhat("");
                setBooking(false);
              }}
            />
          )}
          <Touch onTouch={() => setBooking(false)}>{words.rest.cancel}</Touch>
        </div>
      )}
    </div>
  );
}

/** The press by which a repair is said to be done. */
export function Done({ repair }: { repair: string }) {
  return (
    <Word
      of={restKey({ repair, done: true })}
      question={words.rest.doneAsk(repair)}
      note={words.saysSo}
      onHeld={(who) => ofRest({ repair, done: true }, who)}
    />
  );
}
