/** Where on the page a person is: told by the part of the address after "#", so that it can be kept and sent. */
import { signal } from "@preact/signals";
import { engineChosen } from "../state/own.ts";

export const views = ["pit", "shed", "years", "set-up"] as const;
export type View = (typeof views)[number];

export interface Place {
  readonly view: View;
  /** What stands after the view's name, decoded: an engine, a disposal. */
  readonly path: readonly string[];
}

/** Below this width, in px, a device is a phone: it opens the shed, where a tablet opens the pit. */
const phonePx = 600;

/** The place that "#/years/quillet" names; without one it is the device's own first view. */
export function placeOf(hash: string, width: number): Place {
  const [name, ...path] = hash.replace(/\?.*/, "").replace(/^#?\/?/, "").split("/").filter(Boolean).map(decoded);
  const view = views.find((v) => v === name);
  return view ? { view, path } : { view: width < phonePx ? "shed" : "pit", path: [] };
}

/** The engine that "#/pit?engine=quillet" names, as a message does that is pressed; empty without one. */
export const engineOf = (hash: string): string => new URLSearchParams(/\?(.*)/.exec(hash)?.[1]).get("engine") ?? "";

/** The address of a place on this page. */
export const addressOf = (view: View, ...path: readonly string[]): string => `#/${[view, ...path.map(encodeURIComponent)].join("/")}`;

function decoded(s: string): string {
  try {
    return decodeURIComponent(s);
  } catch {
    return s; // A stray "%" that somebody typed.
  }
}

export const place = signal<Place>({ view: "pit", path: [] });

/** Goes to a place; the browser's "back" comes back from it. */
export function go(view: View, ...path: readonly string[]): void {
  location.hash = addressOf(view, ...path);
}

/** Follows the address from now on. */
export function keepPlace(): () => void {
  const take = (): void => {
    const engine = engineOf(location.hash);
    if (engine) engineChosen.value = engine;
    place.value = placeOf(location.hash, innerWidth);
    if (!engine) return;
    // Once it is chosen another can be: the address would go on naming this one.
    history.replaceState(null, "", addressOf(place.value.view, ...place.value.path));
  };
  take();
  addEventListener("hashchange", take);
  return () => removeEventListener("hashchange", take);
}
