/** The evenings of an engine, kept while the page lives. */
import { useEffect, useState } from "preact/hooks";
import { Refusal } from "../link/calls.ts";
import * as years from "../link/years.ts";
import type { PastDisposal } from "../state/wire.ts";
import { renewed } from "./renewed.ts";

export type Fetched<T> = { readonly kind: "coming" } | { readonly kind: "here"; readonly value: T } | { readonly kind: "failed"; readonly why: string; readonly again: () => void };

export const whyOf = (err: unknown): string => (err instanceof Refusal ? err.message : String(err));

const lists = new Map<string, readonly PastDisposal[]>();

async function fetchList(engine: string): Promise<readonly PastDisposal[]> {
  const list = renewed(lists.get(engine) ?? [], await years.disposals(engine));
  lists.set(engine, list);
  return list;
}

/** Fetches an engine's disposals before they are asked for; they are then there at once. */
export function prepareDisposals(engine: string): void {
  if (!lists.has(engine)) fetchList(engine).catch(() => undefined); // Whoever asks for them is told.
}

/** The engine's disposals, the newest first; asked for anew whenever the view is opened, since an evening may have ended. */
export function useDisposals(engine: string): Fetched<readonly PastDisposal[]> {
  const [state, set] = useState<Fetched<readonly PastDisposal[]>>(() => {
    const old = lists.get(engine);
    return old ? { kind: "here", value: old } : { kind: "coming" };
  });
  const [turn, setTurn] = useState(0);
  useEffect(() => {
    let left = false;
    fetchList(engine).then(
      (list) => {
        if (!left) set((old) => (old.kind === "here" && old.value === list ? old : { kind: "here", value: list }));
      },
      (err: unknown) => {
        if (!left && !lists.has(engine)) set({ kind: "failed", why: whyOf(err), again: () => setTurn((n) => n + 1) });
      },
    );
    return () => {
      left = true;
    };
  }, [engine, turn]);
  return state;
}
