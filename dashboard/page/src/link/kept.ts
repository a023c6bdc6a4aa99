/**
 * Keeps what was last heard on the device, and shows it as what it is, old, where the
 * page is opened and the shed does not answer.
 */
import { effect } from "@preact/signals";
import { judged, known, link, tick, traces } from "../state/held.ts";
import { readBack, written } from "../state/kept.ts";
import { isKept } from "../state/known.ts";
import { engineId } from "../state/shown.ts";
import { realNow } from "./clock.ts";

/** How often it is written, at the most. */
const everyMs = 30_000;
/** The first time, so that a page that was open for a moment has kept something. */
const firstMs = 3_000;

const store = "last";
/** Pages of different daemons may come from one host. */
const key = (): string => new URL("./", document.baseURI).pathname;

function database(): Promise<IDBDatabase> {
  return new Promise((done, fail) => {
    const asked = indexedDB.open("ashlamp", 1);
    asked.onupgradeneeded = () => void asked.result.createObjectStore(store);
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error ?? new Error("the database was not opened"));
    asked.onblocked = () => fail(new Error("another page holds the database"));
  });
}

/** Shows what was kept if nothing is heard, and keeps what is heard from now on. `script` names this build of the page. */
export async function keepLast(script: string): Promise<void> {
  let db: IDBDatabase;
  try {
    db = await database();
  } catch {
    return; // Storage is closed to this page: it shows what it hears, and keeps nothing.
  }
  await showLast(db, script);
  keepOn(db, script);
}

async function showLast(db: IDBDatabase, script: string): Promise<void> {
  const text = await new Promise<unknown>((done) => {
    const asked = db.transaction(store).objectStore(store).get(key());
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => done(undefined);
  });
  const show = (): void => {
    // An open socket tells at once what is so now; what is old would only be in the way.
    if (link.value.open || link.value.lastHeard !== null || known.value.shed !== null) return;
    const back = readBack(text, script, Date.now());
    if (!back) return;
    known.value = back.known;
    if (engineId.value === back.engine) {
      traces.value = back.traces;
      judged.value = back.judged;
    }
    const t = realNow();
    link.value = { ...link.value, lastHeard: back.age === null ? null : t - back.age };
    tick.value = t;
  };
  const stop = effect(() => {
    const over = known.value.shed !== null;
    void link.value;
    // Not within the effect: what follows from the first of these must be done before the next.
    queueMicrotask(over ? () => stop() : show);
  });
}

function keepOn(db: IDBDatabase, script: string): void {
  let of: number | null = null;
  const write = (): void => {
    const k = known.value;
    const heard = link.value.lastHeard;
    // What was torn, or was itself read back, is not what was heard.
    if (heard === null || heard === of || k.torn || k.shed === null || isKept(k)) return;
    of = heard;
    const text = written({ known: k, engine: engineId.value, traces: traces.value, judged: judged.value }, script, Date.now() - (realNow() - heard));
    if (text === null) return;
    try {
      db.transaction(store, "readwrite").objectStore(store).put(text, key());
    } catch {
      // The database was closed by the browser: what was written last stays.
    }
  };
  const atLeisure = (): void => {
    if (typeof requestIdleCallback === "function") requestIdleCallback(write, { timeout: everyMs / 2 });
    else setTimeout(write);
  };
  setTimeout(atLeisure, firstMs);
  setInterval(atLeisure, everyMs);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden") write();
  });
  window.addEventListener("pagehide", write);
}
