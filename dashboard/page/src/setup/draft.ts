/**
 * What was typed and is not written yet. It is kept by the browser for as long as its
 * window is, so that neither a lost link nor another view nor a reload takes it away.
 */
import { effect, signal } from "@preact/signals";

export type Draft = Readonly<Record<string, string>>;

/** The draft after a person typed `text` where `written` stands: what says nothing new is no draft. */
export function withTyped(d: Draft, key: string, text: string, written: string): Draft {
  if (d[key] === text) return d;
  const { [key]: _, ...others } = d;
  return text === written ? others : { ...others, [key]: text };
}

/** The draft without what begins with one of the prefixes. */
export const without = (d: Draft, ...prefixes: readonly string[]): Draft =>
  Object.fromEntries(Object.entries(d).filter(([k]) => !prefixes.some((p) => k.startsWith(p))));

/** The draft without each key of `sent` that still says what was sent: what was typed since stays. */
export const withoutSent = (d: Draft, sent: Draft): Draft => Object.fromEntries(Object.entries(d).filter(([k, v]) => sent[k] !== v));

/** What is kept, as a draft; nothing where it is not one of ours. */
export function draftOf(kept: string | null): Draft {
  try {
    const read: unknown = JSON.parse(kept ?? "{}");
    if (typeof read !== "object" || read === null || Array.isArray(read)) return {};
    return Object.fromEntries(Object.entries(read).filter((e): e is [string, string] => typeof e[1] === "string"));
  } catch {
    return {};
  }
}

const place = "ashlamp.set-up";
const kept = (): string | null => {
  try {
    return sessionStorage.getItem(place);
  } catch {
    return null; // Storage is closed to this page: the draft lasts until it is left.
  }
};

export const draft = signal<Draft>(typeof sessionStorage === "undefined" ? {} : draftOf(kept()));

if (typeof sessionStorage !== "undefined") {
  effect(() => {
    const text = JSON.stringify(draft.value);
    try {
      if (text === "{}") sessionStorage.removeItem(place);
      else sessionStorage.setItem(place, text);
    } catch {
      // As above.
    }
  });
}

/** What stands in a field: what was typed, else what is written. */
export const standing = (key: string, written: string): string => draft.value[key] ?? written;

/** A person types. */
export function type(key: string, text: string, written = ""): void {
  draft.value = withTyped(draft.value, key, text, written);
}

/** What was typed under these prefixes is given up. */
export function forget(...prefixes: readonly string[]): void {
  draft.value = without(draft.value, ...prefixes);
}
