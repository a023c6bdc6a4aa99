/** Which field of a form a complaint of the daemon speaks of. */

/**
 * The field whose key of the configuration stands first in the complaint, as a whole
 * word; null where none does. Keys are as in the file: "altitude_m".
 */
export function fieldOf(complaint: string, keys: readonly string[]): string | null {
  let found: string | null = null;
  let first = Infinity;
  for (const key of keys) {
    const at = complaint.search(new RegExp(`(?<![A-Za-z0-9_])${key.replace(/[.*+?^${}()|[\]\\]/g, "\\$&")}(?![A-Za-z0-9_])`));
    if (at >= 0 && at < first) {
      first = at;
      found = key;
    }
  }
  return found;
}

/** An id made from a name, as a proposal: "No. 22 Quillet" gives "no-22-quillet". */
export const idOf = (name: string): string =>
  name
    .normalize("NFKD")
    .replace(/[\u0300-\u036f]/g, "")
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 40);

/** What is wrong with an id; empty where nothing is. */
export const goodId = (id: string): boolean => /^[a-z0-9-]+$/.test(id);
