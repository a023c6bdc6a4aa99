/**
 * The page's state as signals. Written by the link alone; views do not import
 * this file but `shown.ts`, which knows how old everything is.
 */
import { signal } from "@preact/signals";
import { nothing, type Known } from "./known.ts";
import { unjudged, type Judged, type Trace } from "./past.ts";

export const known = signal<Known>(nothing);

/** How the link is. `heard` is real time by `clock.ts`, in ms; null while nothing came over this socket yet. */
export interface Link {
  readonly open: boolean;
  readonly heard: number | null;
  /** When anything was last heard over any socket; null before the first. */
  readonly lastHeard: number | null;
}
export const link = signal<Link>({ open: false, heard: null, lastHeard: null });

/** Real time, in ms, as of the last tick. */
export const tick = signal(0);

/** The past of the chosen engine's drawn channels, and of its lanes. */
export const traces = signal<Readonly<Record<string, Trace>>>({});
export const judged = signal<Judged>(unjudged);
/** Why the past could not be fetched, in words; empty when it was. */
export const pastTrouble = signal("");

/** How a person's word fares that was sent from this page. */
export interface Sent {
  readonly how: "sent" | "recorded" | "refused";
  readonly text: string;
  /** The daemon's time when it was said; null where none was known. */
  readonly at: number | null;
}
export const sent = signal<Readonly<Record<string, Sent>>>({});

/** A word that this device gave a moment ago: it can be taken back where it was given. */
export interface JustSaid {
  readonly engine: string;
  readonly confirm: string;
  readonly question: string;
  readonly by: string;
}
export const justSaid = signal<JustSaid | null>(null);
