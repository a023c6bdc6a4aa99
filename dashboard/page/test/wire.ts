/**
 * A stretch of wire before a real server, that a test can cut, or hold still as a
 * network does that takes everything and brings nothing.
 */
import { connect, createServer, type Socket } from "node:net";

export interface Wire {
  readonly url: string;
  /** Ends every connection and takes no new one. */
  cut(): void;
  /** Holds every byte back, both ways; connections stay open. */
  still(): void;
  mend(): void;
  close(): Promise<void>;
}

export async function wire(to: string): Promise<Wire> {
  const far = new URL(to);
  const open = new Set<Socket>();
  let how: "whole" | "cut" | "still" = "whole";
  const server = createServer((near) => {
    if (how === "cut") return void near.destroy();
    const on = connect(Number(far.port || 80), far.hostname);
    for (const [a, b] of [[near, on], [on, near]] as const) {
      open.add(a);
      a.on("data", (d) => void b.write(d));
      a.on("close", () => {
        open.delete(a);
        b.destroy();
      });
      a.on("error", () => b.destroy());
      if (how === "still") a.pause();
    }
  });
  await new Promise<void>((done) => server.listen(0, "127.0.0.1", done));
  const address = server.address();
  if (typeof address !== "object" || !address) throw new Error("the wire has no port; look whether loopback is up");
  const endAll = (): void => {
    for (const s of open) s.destroy();
  };
  return {
    url: `http://127.0.0.1:${address.port}/`,
    cut() {
      how = "cut";
      endAll();
    },
    still() {
      how = "still";
      for (const s of open) s.pause();
    },
    mend() {
      how = "whole";
      for (const s of open) s.resume();
    },
    async close() {
      endAll();
      await new Promise<void>((done) => server.close(() => done()));
    },
  };
}
