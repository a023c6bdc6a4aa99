/** What every part of the engineer's view is given, and where it stands in the address. */
import { addressOf } from "../frame/place.ts";
import type { Engine, PastDisposal } from "../state/wire.ts";

export interface PartProps {
  /** The engine looked at, as the shed declares it. */
  readonly engine: Engine;
}

export interface EveningProps extends PartProps {
  /** The evening drawn bold. */
  readonly disposal: PastDisposal;
}

/** The parts, in the order in which they are offered. */
export const parts = ["evenings", "curves", "trends", "sensors", "book"] as const;
export type Part = (typeof parts)[number];

/** Where a person is in the engineer's view. */
export interface Where {
  /** Empty where the address names none: the first of the shed. */
  readonly engine: string;
  readonly part: Part;
  /** What follows the part: the evening drawn bold and those under it; the ends of a span. */
  readonly rest: readonly string[];
}

/** The place that the path after "#/years/" names. A part that there is not gives the evenings. */
export function whereOf(path: readonly string[]): Where {
  const [engine = "", name, ...rest] = path;
  const part = parts.find((p) => p === name);
  return { engine, part: part ?? "evenings", rest: part ? rest : [] };
}

/** The address of a part of an engine's years. */
export const addressOfPart = (engine: string, part: Part, ...rest: readonly string[]): string => addressOf("years", engine, part, ...rest);
