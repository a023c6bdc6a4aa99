/** Something that is asked for by a part of the view, and asked for again once the shed is heard again. */
import { useEffect, useRef, useState } from "preact/hooks";
import { Refusal } from "../link/calls.ts";
import * as shown from "../state/shown.ts";
import { yearsWords as words } from "../words/years.ts";

export type Called<T> =
  | { readonly how: "waiting" }
  | { readonly how: "failed"; readonly why: string }
  | { readonly how: "here"; readonly what: T };

/** `key` names what is asked for: another one is asked for anew. The function asks again. */
export function useCalled<T>(key: string, get: () => Promise<T>): [Called<T>, () => void] {
  const [state, set] = useState<{ readonly key: string; readonly is: Called<T> }>({ key, is: { how: "waiting" } });
  const [turn, again] = useState(0);
  const live = shown.live.value;
  const failed = useRef(false);
  // Of a failed one alone: what is here stays while the link comes and goes.
  useEffect(() => {
    if (live && failed.current) again((n) => n + 1);
  }, [live]);
  useEffect(() => {
    let left = false;
    failed.current = false;
    get().then(
      (what) => {
        if (!left) set({ key, is: { how: "here", what } });
      },
      (err: unknown) => {
        if (left) return;
        failed.current = true;
        set({ key, is: { how: "failed", why: whyOf(err) } });
      },
    );
    return () => {
      left = true;
    };
  }, [key, turn]);
  return [state.key === key ? state.is : { how: "waiting" }, () => again((n) => n + 1)];
}

/** What went wrong, in words for the page. */
export function whyOf(err: unknown): string {
  if (err instanceof Refusal) return err.message;
  console.error(err);
  return words.unknownTrouble;
}
