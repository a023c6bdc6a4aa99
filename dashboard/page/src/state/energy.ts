/** What the boiler still holds, as far as that is current. */
import { computed } from "@preact/signals";
import { current } from "./shown.ts";
import type { Energy } from "./wire.ts";

/** Null on a dead link, and from a daemon that does not reckon it. */
export const energy = computed<Energy | null>(() => current.value?.energy ?? null);
