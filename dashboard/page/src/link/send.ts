/** A person's word on its way: sent, answered or refused, and said so. */
import { justSaid, sent, type Sent } from "../state/held.ts";
import { askKey, engine, live, now } from "../state/shown.ts";
import type { Ask } from "../state/wire.ts";
import { words } from "../words/en.ts";
import * as calls from "./calls.ts";
import { confirm, Refusal, say, takeBack, type RestWord } from "./calls.ts";

/** How long "recorded" stays, should the ask not go by itself. */
const recordedMs = 4_000;

const put = (key: string, s: Sent | null): void => {
  const { [key]: _, ...others } = sent.value;
  sent.value = s ? { ...others, [key]: s } : others;
};

async function send(key: string, call: () => Promise<void>): Promise<boolean> {
  if (sent.value[key]?.how === "sent") return false;
  put(key, { how: "sent", text: "", at: now.value });
  try {
    await call();
    put(key, { how: "recorded", text: "", at: now.value });
    setTimeout(() => {
      if (sent.value[key]?.how === "recorded") put(key, null);
    }, recordedMs);
    return true;
  } catch (err) {
    put(key, { how: "refused", text: err instanceof Refusal ? err.message : words.noAnswer, at: now.value });
    return false;
  }
}

/** How long a word can be taken back where it was given; later, in its opened lane. */
const takeBackMs = 20_000;

async function give(ask: Ask, id: string, what: string, by: string): Promise<void> {
  if (!(await send(askKey(ask), () => confirm(id, what, by)))) return;
  const said = { engine: id, confirm: what, question: ask.question, by };
  justSaid.value = said;
  setTimeout(() => {
    if (justSaid.value === said) justSaid.value = null;
  }, takeBackMs);
}

/** Sends what was asked, as said by `by`. Nothing is sent on a dead link. */
export function answer(ask: Ask, by: string): void {
  const id = engine.value?.id;
  if (!id || !live.value) return;
  const { confirm: what, say: word } = ask;
  if (what) void give(ask, id, what, by);
  else if (word) void send(askKey(ask), () => say(id, word, by));
}

/** Takes a confirmation back, as said by `by`. */
export function withdraw(what: string, by: string): void {
  const id = engine.value?.id;
  if (!id || !live.value) return;
  if (justSaid.value?.confirm === what) justSaid.value = null;
  void send(`back ${what}`, () => takeBack(id, what, by));
}

/** Says that `by` knows of an alarm. */
export function acknowledge(alarm: string, by: string): void {
  if (live.value) void send(`seen ${alarm}`, () => calls.acknowledge(alarm, by));
}

/** Puts an alarm aside for so many minutes. */
export function shelve(alarm: string, why: string, minutes: number, by: string): void {
  if (live.value) void send(`shelf ${alarm}`, () => calls.shelve(alarm, why, minutes, by));
}

/** Takes it up again before its time. */
export function unshelve(alarm: string, by: string): void {
  if (live.value) void send(`shelf ${alarm}`, () => calls.unshelve(alarm, by));
}

/** What tells one word about a rest from another. */
export const restKey = (word: RestWord): string => ("repair" in word ? `repair ${word.repair}` : "wanted" in word ? "wanted" : "looked into");

/** Says something of a rest, or of what was found. */
export function ofRest(word: RestWord, by: string): void {
  const id = engine.value?.id;
  if (id && live.value) void send(restKey(word), () => calls.sayOfRest(id, word, by));
}
