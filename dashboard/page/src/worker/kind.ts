/** What the worker answers for, and what it leaves alone. */

/** What the build tells the worker. */
export interface Built {
  /** The hash over all of it. */
  readonly version: string;
  /** The files to keep, relative to the page. */
  readonly files: readonly string[];
  /** The text of the page itself. */
  readonly page: string;
}

/** Begins the name of each cache that is ours. */
export const ours = "ashlamp-page-";

/** The page, one of its files, or nothing of ours: that goes to the network as if there were no worker. */
export function kindOf(r: Pick<Request, "url" | "method" | "mode">, page: string, files: ReadonlySet<string>): "page" | "file" | null {
  if (r.method !== "GET") return null;
  const at = new URL(r.url);
  at.hash = at.search = "";
  if (r.mode === "navigate") return at.href === page || at.href === new URL("index.html", page).href ? "page" : null;
  return files.has(r.url) ? "file" : null;
}
