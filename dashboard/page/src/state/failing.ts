/** That a way by which this device's person is rung has been failing. */
import { signal } from "@preact/signals";

export interface Failing {
  readonly who: string;
  /** The daemon's sentence: which way, and since when. */
  readonly text: string;
}

export const failing = signal<Failing | null>(null);
