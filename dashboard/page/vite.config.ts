import { defineConfig } from "vitest/config";
import { cutLetters } from "./letters.vite.ts";
import { tellWorker, workerName } from "./worker.vite.ts";

export default defineConfig({
  base: "./",
  plugins: [cutLetters(), tellWorker()],
  build: {
    target: "es2022",
    // Inlining would put the lettering into the style sheet, before the first words can show.
    assetsInlineLimit: 0,
    emptyOutDir: true,
    rollupOptions: {
      input: { index: "index.html", worker: "src/worker/worker.ts" },
      // The worker's name stays, and stands at the root: it answers for all below it.
      output: { entryFileNames: (chunk) => (chunk.name === "worker" ? workerName : "assets/[name]-[hash].js") },
    },
  },
  test: {
    projects: [
      { extends: true, test: { name: "unit", include: ["src/**/*.test.ts"] } },
      {
        extends: true,
        test: {
          name: "browser",
          include: ["test/**/*.test.ts"],
          testTimeout: 120_000,
          hookTimeout: 60_000,
          // A machine that builds beside it is slow; what comes is looked for, not how soon.
          expect: { poll: { timeout: 10_000 } },
          fileParallelism: false,
        },
      },
    ],
  },
});
