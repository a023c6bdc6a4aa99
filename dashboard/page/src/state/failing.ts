/** That a way by which this device's person is rung has been failing, in the daemon's sentence; empty where none has. */
import { signal } from "@preact/signals";

export const failing = signal("");
