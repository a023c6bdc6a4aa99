/** Calls for an engine's years. */
import type { Overlay, PastDisposal } from "../state/wire.ts";
import { call, of } from "./calls.ts";

/** The most evenings of one call. */
export const mostOverlaid = 60;

/** The engine's disposals, the newest first. */
export async function disposals(engine: string): Promise<readonly PastDisposal[]> {
  return (await call("GET", of(engine, "disposals"))) as PastDisposal[];
}

/** The call for a channel over disposals, each with its seconds from a mark of its own. */
export function overlay(engine: string, channel: string, align: Overlay["align"], ids: readonly string[], points: number): string {
  const q = new URLSearchParams({ channel, align, points: String(points) });
  for (const id of ids) q.append("disposal", id);
  return of(engine, `overlay?${q.toString()}`);
}
