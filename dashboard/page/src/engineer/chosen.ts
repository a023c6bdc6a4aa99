/** Which evenings are laid over each other and by what, as the address tells it. Pure. */
import type { PastDisposal } from "../state/wire.ts";
import { aligns, momentOf, type Align } from "./lay.ts";
import { addressOfPart } from "./part.ts";

export interface Chosen {
  /** The id of the evening drawn bold; empty for the newest. */
  readonly bold: string;
  /** Those under it; null where nobody chose: the two before it. */
  readonly over: readonly string[] | null;
  readonly by: Align;
}

/** "ID/over/ID2/ID3/by/pressure-zero", each part after the first as far as it is there. */
export function chosenOf(rest: readonly string[]): Chosen {
  const over = rest.indexOf("over");
  const by = rest.indexOf("by");
  const end = by >= 0 ? by : rest.length;
  const first = rest[0] ?? "";
  return {
    bold: first === "over" || first === "by" ? "" : first,
    over: over < 0 ? null : rest.slice(over + 1, Math.max(over + 1, end)),
    by: aligns.find((a) => a === rest[by + 1]) ?? "fire-out",
  };
}

export function addressOfChosen(engine: string, c: Chosen): string {
  return addressOfPart(engine, "evenings", ...(c.bold === "" ? [] : [c.bold]), ...(c.over === null ? [] : ["over", ...c.over]), ...(c.by === "fire-out" ? [] : ["by", c.by]));
}

/** How many lie under the bold one where nobody chose. */
const usual = 2;

/** The `n` evenings before one that can be laid by the same moment. */
export function before(all: readonly PastDisposal[], bold: PastDisposal, n: number, by: Align): PastDisposal[] {
  const at = Date.parse(bold.begun);
  return all.filter((d) => Date.parse(d.begun) < at && momentOf(d, by) !== null).slice(0, n);
}

export interface Picked {
  readonly bold: PastDisposal;
  readonly over: readonly PastDisposal[];
  /** Those chosen that cannot be laid by this moment. */
  readonly cannot: readonly PastDisposal[];
  /** False where the address names an evening that there is not. */
  readonly known: boolean;
}

/** The evenings that a choice means; null where there are none at all. `all` is the newest first. */
export function pick(all: readonly PastDisposal[], c: Chosen): Picked | null {
  const named = all.find((d) => d.id === c.bold);
  // Unnamed, the newest that can be laid: one that has just begun has nothing to show yet.
  const bold = named ?? all.find((d) => momentOf(d, c.by) !== null) ?? all[0];
  if (!bold) return null;
  const wanted = c.over === null ? before(all, bold, usual, c.by) : all.filter((d) => d !== bold && c.over?.includes(d.id));
  return {
    bold,
    over: wanted.filter((d) => momentOf(d, c.by) !== null),
    cannot: [bold, ...wanted].filter((d) => momentOf(d, c.by) === null),
    known: c.bold === "" || named !== undefined,
  };
}
