/** What a push message becomes on the screen. */
import { workerWords } from "../words/worker.ts";

/** A push message as the daemon sends it. */
export interface Pushed {
  /** What a lock screen shows, the engine first. */
  readonly line: string;
  /** The cause: a screen shows one message of each. */
  readonly tag: string;
  /** Where the page goes when it is pressed, as "#/pit?engine=quillet". */
  readonly place: string;
  /** RFC 3339: from then on nobody wants to be told any more. */
  readonly until: string;
  readonly turn: string;
  /** Counts the turns of the cause. */
  readonly n: number;
  /** RFC 3339: when it turned; it may have been long on its way. */
  readonly t: string;
  /** It is worth a sound. */
  readonly wakes: boolean;
}

/** The message, or null where the text is none. */
export function pushed(text: string): Pushed | null {
  let read: unknown;
  try {
    read = JSON.parse(text);
  } catch {
    return null;
  }
  const p = (typeof read === "object" && read !== null ? read : {}) as Readonly<Record<string, unknown>>;
  const { line, tag, place, until, turn, n, t, wakes } = p;
  if (typeof line !== "string" || line === "" || typeof tag !== "string" || tag === "" || typeof turn !== "string" || typeof n !== "number") return null;
  return { line, tag, place: typeof place === "string" && place.startsWith("#/") ? place : "#/shed", until: typeof until === "string" ? until : "", turn, n, t: typeof t === "string" ? t : "", wakes: wakes === true };
}

/** What a notification carries with it, for the press. */
export interface Carried {
  readonly place: string;
  readonly n: number;
}

export interface Shown {
  readonly title: string;
  readonly options: NotificationOptions & { readonly renotify?: boolean; readonly timestamp?: number };
}

/**
 * The title is the line's first sentence, what is the matter, and the body the rest, what
 * to do: a phone cuts a title after one line, and a body only after several.
 */
const parts = (line: string): readonly [string, string] => {
  const end = line.indexOf(". ");
  return end < 0 ? [line, ""] : [line.slice(0, end + 1), line.slice(end + 2)];
};

/**
 * How a message is shown at `now`, in ms. `before` is the turn of the cause that was shown
 * last, 0 where none was: a turn that comes again, as a message that is sent at least once
 * may, makes no sound. What wakes does; the rest takes the place of what is
 * shown, and nobody is woken by it at night.
 *
 * Null is that a later turn was shown already: this one is not so any more.
 */
export function shownAs(p: Pushed, now: number, before: number): Shown | null {
  if (p.n < before) return null;
  const sounds = p.wakes && p.n > before;
  const at = Date.parse(p.t);
  const until = Date.parse(p.until);
  // A phone that was off gets what was sent days ago. One without a time is believed no longer than one that is over.
  const late = !(now < until);
  const [title, body] = parts(p.line);
  const data: Carried = { place: p.place, n: p.n };
  return {
    title: late ? workerWords.lateTitle : title,
    options: {
      body: late ? workerWords.late : body,
      tag: p.tag,
      data,
      icon: "icon-192.png",
      badge: "icon-192.png",
      ...(Number.isFinite(at) ? { timestamp: at } : {}),
      // A second sound under a tag that is shown: a browser makes none by itself.
      ...(sounds && !late ? { renotify: true } : { silent: true }),
    },
  };
}

/** What is shown for a message that cannot be read. */
export const unread = (): Shown => ({ title: "Ashlamp", options: { body: workerWords.unread, tag: "unread", data: { place: "#/shed", n: 0 } satisfies Carried, icon: "icon-192.png", silent: true } });

/** The turns that were shown last, by cause; the newest at the end. */
export type Turns = readonly (readonly [tag: string, n: number])[];

/** So many causes are remembered: more than come in the weeks for which a message is kept. */
const mostTurns = 500;

export const turnOf = (turns: Turns, tag: string): number => turns.find(([t]) => t === tag)?.[1] ?? 0;
export const withTurn = (turns: Turns, tag: string, n: number): Turns => [...turns.filter(([t]) => t !== tag), [tag, Math.max(n, turnOf(turns, tag))] as const].slice(-mostTurns);
