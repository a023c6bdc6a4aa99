/** The real daemon with its demonstration, for a test: started, awaited, ended. */
import { spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

/** How long a daemon may take until its page is served. */
const readyMs = 30_000;

const example = fileURLToPath(new URL("../../../testdata/config/fernhollow.toml", import.meta.url));

/** `more` is written below the example's configuration, which the demonstration has otherwise. */
export async function demo(bin: string, speed = 60, at = 0, more = ""): Promise<{ url: string; close(): Promise<void> }> {
  const port = at || (await freePort());
  const data = await mkdtemp(join(tmpdir(), "ashlamp-"));
  if (more) await writeFile(join(data, "shed.toml"), `${await readFile(example, "utf8")}\n${more}`);
  const said: string[] = [];
  const child = spawn(bin, ["demo", "--speed", String(speed), "--listen", `127.0.0.1:${port}`, "--data", data], { stdio: ["ignore", "pipe", "pipe"] });
  for (const s of [child.stdout, child.stderr]) s.on("data", (d) => void said.push(String(d)));
  const url = `http://127.0.0.1:${port}/`;
  const until = Date.now() + readyMs;
  while (!(await answers(url))) {
    if (child.exitCode !== null || Date.now() > until) {
      child.kill("SIGKILL");
      throw new Error(`the daemon ${bin} does not serve ${url}; it said: ${said.join("")}`);
    }
  }
  return {
    url,
    async close() {
      if (child.exitCode === null) {
        const ended = once(child, "exit");
        child.kill("SIGTERM");
        await ended;
      }
      await rm(data, { recursive: true, force: true });
    },
  };
}

async function answers(url: string): Promise<boolean> {
  try {
    return (await fetch(`${url}healthz`)).ok;
  } catch {
    await new Promise((again) => setTimeout(again, 100));
    return false;
  }
}

export async function freePort(): Promise<number> {
  const s = createServer().listen(0, "127.0.0.1");
  await once(s, "listening");
  const a = s.address();
  s.close();
  await once(s, "close");
  if (typeof a !== "object" || !a) throw new Error("no port is free on loopback");
  return a.port;
}
