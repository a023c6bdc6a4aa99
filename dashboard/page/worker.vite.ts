/** Tells the worker, once everything is built, which files there are. */
import { createHash } from "node:crypto";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import type { Plugin } from "vite";
import type { Built } from "./src/worker/kind.ts";

export const workerName = "worker.js";

/** Files that the system keeps by itself once the page is installed. */
const kept = (name: string): boolean => name !== workerName && !/^icon-.*\.png$|^\./.test(name);

export function tellWorker(): Plugin {
  let publicDir = "";
  return {
    name: "ashlamp-tell-worker",
    apply: "build",
    enforce: "post",
    configResolved: (c) => void (publicDir = c.publicDir),
    generateBundle: {
      order: "post",
      handler(_, bundle) {
        const worker = bundle[workerName];
        const page = bundle["index.html"];
        if (worker?.type !== "chunk" || page?.type !== "asset") return this.error("the build has no worker.js or no index.html; look at rollupOptions.input");
        if (worker.imports.length + worker.dynamicImports.length > 0) return this.error(`the worker shares ${worker.imports.join()} with the page; a worker is one file`);
        const beside = readdirSync(publicDir);
        const files = [...Object.keys(bundle).filter((f) => f !== "index.html"), ...beside].filter(kept).sort();
        const text = String(page.source);
        const hash = createHash("sha256").update(text).update(files.join("\n"));
        for (const f of beside) hash.update(readFileSync(join(publicDir, f)));
        const built: Built = { version: hash.digest("hex").slice(0, 16), files, page: text };
        if (!worker.code.includes("__BUILT__")) return this.error("the worker does not ask what was built");
        worker.code = worker.code.replaceAll("__BUILT__", () => JSON.stringify(built));
      },
    },
  };
}
