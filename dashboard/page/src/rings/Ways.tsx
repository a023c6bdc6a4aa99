/** Each way out with how it stands, and a press to try it; and this browser as one more. */
import { useEffect, useState } from "preact/hooks";
import { tryWay, type Alerts, type Way } from "../link/rings.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import { clockSeconds, when } from "../words/clock.ts";
import { ringsWords } from "../words/rings.ts";
import { hindrance, ownWay, ringHere, ringNoLonger } from "./browser.ts";
import { standsOf, type Stands } from "./choose.ts";
import { pushPrefix } from "./key.ts";
import { said, stale, tell, typed } from "./kept.ts";

const w = ringsWords.ways;
const here = ringsWords.here;
/** A page this narrow, in px, is a phone's. */
const phonePx = 600;

const at = (t: string): string => when(Date.parse(t), shown.now.value, shown.zone.value);

export function nameOf(x: Pick<Way, "id" | "name">, mail = ""): string {
  if (x.id === "mail") return mail ? w.mailTo(mail) : w.mail;
  if (x.id === "webhook") return w.webhook;
  return x.id.startsWith(pushPrefix) ? w.browser(x.name ?? "") : w.unknown(x.id);
}

/** What a way has done, in sentences. */
function tells(x: Way, a: Alerts): string {
  const unchosen = (x.id === "webhook" && !a.choice.webhook) || (x.id === "mail" && !a.choice.mail);
  const how: Record<Stands, () => string> = {
    closed: () => x.text ?? "",
    fails: () => [w.fails(at(x.failed ?? "")), x.taken ? w.failsTook(at(x.taken)) : ""].filter(Boolean).join(" "),
    takes: () => w.took(at(x.taken ?? "")),
    untried: () => w.untried,
  };
  return [how[standsOf(x)](), x.open && unchosen ? w.notChosen : "", x.id === "mail" && typed.value.mail !== undefined && typed.value.mail !== a.choice.mail ? w.unwritten : ""].filter(Boolean).join(" ");
}

export function Ways({ a, person }: { a: Alerts; person: string }) {
  const [own, setOwn] = useState("");
  const list = a.ways.map((x) => x.id).join();
  useEffect(() => {
    let left = false;
    ownWay().then((id) => !left && setOwn(id), () => undefined);
    return () => void (left = true);
  }, [list]);
  return (
    <section class="rings-part" aria-labelledby="rings-ways">
      <h2 id="rings-ways">{w.title}</h2>
      {a.ways.length === 0 && <p>{w.none}</p>}
      <ul class="rings-list">
        {a.ways.map((x) => (
          <One key={x.id} x={x} a={a} person={person} own={x.id === own} />
        ))}
      </ul>
      <Here a={a} person={person} own={own} onRung={setOwn} />
    </section>
  );
}

function One({ x, a, person, own }: { x: Way; a: Alerts; person: string; own: boolean }) {
  const name = nameOf(x, a.choice.mail);
  const stands = standsOf(x);
  const how = said.value[x.id];
  const ring = async (): Promise<void> => {
    if (how?.how === "sending") return;
    tell(x.id, { how: "sending", text: "" });
    try {
      const l = await tryWay(person, x.id);
      const then = x.id === "mail" ? w.takenMail : x.id === "webhook" ? w.takenWebhook : w.takenPush;
      tell(
        x.id,
        l.state === "taken"
          ? { how: "done", text: `${l.taken ? `${w.taken(clockSeconds(Date.parse(l.taken), shown.zone.value))} ` : ""}${then}` }
          : { how: "refused", text: l.trouble ? w.notTaken(l.trouble) : w.notTakenBare },
      );
    } catch (err) {
      tell(x.id, { how: "refused", text: err instanceof Error ? err.message : String(err) });
    }
  };
  const forget = async (): Promise<void> => {
    tell(x.id, { how: "sending", text: "" });
    try {
      await ringNoLonger(person, x.id);
      tell(x.id, { how: "done", text: w.forgotten });
    } catch (err) {
      tell(x.id, { how: "refused", text: err instanceof Error ? err.message : String(err) });
    }
  };
  return (
    <li class="rings-way">
      <div class="rings-way-head">
        <h3>
          {name} {own && <small>{`(${w.here})`}</small>}
        </h3>
        {stale.value ? <Filled fill="dashed" word={w.unknownNow} /> : <Filled fill={fillOf[stands]} word={w.stands[stands]} />}
      </div>
      <p>{tells(x, a)}</p>
      <div class="rings-do">
        {x.open && (
          <button type="button" class="rings-press" aria-label={w.tryOf(name)} aria-disabled={how?.how === "sending" ? "true" : undefined} onClick={() => void ring()}>
            {how?.how === "sending" ? w.trying : w.try}
          </button>
        )}
        {x.id.startsWith(pushPrefix) && (
          <Touch label={w.forgetOf(name)} onTouch={() => void forget()}>
            {w.forget}
          </Touch>
        )}
      </div>
      <p class={how?.how === "refused" ? "rings-said rings-refused" : "rings-said"} role="status">
        {how?.text ?? ""}
      </p>
    </li>
  );
}

/** The fills by which the page tells how sure a thing is. */
type Fill = "solid" | "hatched" | "dashed";
const fillOf: Record<Stands, Fill> = { takes: "solid", fails: "hatched", untried: "dashed", closed: "dashed" };

/** A word beside its fill. */
export function Filled({ fill, word }: { fill: Fill; word: string }) {
  return (
    <span class="rings-stands">
      <span class={`rings-fill rings-${fill}`} aria-hidden="true" />
      {word}
    </span>
  );
}

/** This browser: rung or not, why it cannot be, and the press. */
function Here({ a, person, own, onRung }: { a: Alerts; person: string; own: string; onRung: (way: string) => void }) {
  const key = "here";
  const [name, setName] = useState<string | null>(null);
  const how = said.value[key];
  const rung = a.ways.some((x) => x.id === own);
  const why = hindrance(a.push_key);
  const called = name ?? here.proposal(person, innerWidth < phonePx);
  const ring = async (): Promise<void> => {
    if (how?.how === "sending") return;
    tell(key, { how: "sending", text: here.asking });
    try {
      onRung((await ringHere(person, called.trim(), a.push_key, () => tell(key, { how: "sending", text: here.telling }))).id);
      tell(key, { how: "done", text: here.done });
    } catch (err) {
      tell(key, { how: "refused", text: err instanceof Error ? err.message : String(err) });
    }
  };
  return (
    <div class="rings-here">
      <h3>{here.title}</h3>
      {why ? (
        <p>{why}</p>
      ) : rung ? (
        <p>{here.isRung}</p>
      ) : (
        <form
          onSubmit={(e) => {
            e.preventDefault();
            void ring();
          }}
        >
          <label class="rings-field">
            <span>{here.name}</span>
            <input type="text" required maxLength={60} value={called} aria-describedby="rings-here-hint" onInput={(e) => setName(e.currentTarget.value)} />
          </label>
          <p class="rings-note" id="rings-here-hint">
            {here.nameHint}
          </p>
          <button type="submit" class="rings-press" aria-disabled={how?.how === "sending" ? "true" : undefined}>
            {here.ring}
          </button>
        </form>
      )}
      <p class={how?.how === "refused" ? "rings-said rings-refused" : "rings-said"} role="status">
        {how?.text ?? ""}
      </p>
    </div>
  );
}
