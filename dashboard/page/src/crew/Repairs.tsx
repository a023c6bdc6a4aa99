/** What was found and booked for repair: it travels with the engine to its next steaming. */
import { useState } from "preact/hooks";
import { Form } from "../parts/Form.tsx";
import { Touch } from "../parts/Touch.tsx";
import { ofRest, restKey } from "../link/send.ts";
import { repairs } from "../state/rest.ts";
import { words } from "../words/en.ts";
import { Word } from "./Word.tsx";

/** The longest that may be booked, in characters, as the call has it. */
const longest = 200;

/** `unlisted` where the same repairs stand elsewhere on the sheet: then only the booking. */
export function Repairs({ unlisted }: { unlisted?: boolean }) {
  const all = unlisted ? [] : repairs.value;
  const [booking, setBooking] = useState(false);
  const [what, setWhat] = useState("");
  const text = what.trim();
  return (
    <div class="repairs">
      {repairs.value.length === 0 && <p class="list-none">{words.rest.noRepairs}</p>}
      {all.map((r) => (
        <div key={r} class="list-row">
          <span class="list-text">{r}</span>
          <DoneWord repair={r} />
        </div>
      ))}
      {!booking ? (
        <Touch expanded={false} onTouch={() => setBooking(true)}>
          {words.rest.book}
        </Touch>
      ) : (
        <Form>
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
        </Form>
      )}
    </div>
  );
}

/** By which a repair is said to be done: a touch, then a press. */
export function DoneWord({ repair }: { repair: string }) {
  const [asked, setAsked] = useState(false);
  if (!asked) {
    return (
      <Touch label={words.rest.doneWhich(repair)} onTouch={() => setAsked(true)}>
        {words.rest.done}
      </Touch>
    );
  }
  return (
    <Word
      of={restKey({ repair, done: true })}
      question={words.rest.doneAsk(repair)}
      note={words.saysSo}
      onHeld={(who) => ofRest({ repair, done: true }, who)}
    />
  );
}
