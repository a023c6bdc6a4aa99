/** A shed whose messages go out: a webhook's far end that the test reads, and a mail server that is not there. */
import { randomBytes } from "node:crypto";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { createServer } from "node:http";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { demo, freePort } from "./daemon.ts";
import { through, type Through } from "./through.ts";

export interface Ringing {
  readonly url: string;
  readonly door: Through;
  /** What was posted to the webhook, in order. */
  readonly posted: readonly { readonly id: string; readonly type: string; readonly data: { readonly line: string } }[];
  /** What the far end answers from now on. */
  answer(status: number): void;
  /** What a watcher of the shed's signs of life answers from now on. */
  watch(status: number): void;
  close(): Promise<void>;
}

/** `page` is the folder of a built page, where it is not to be the daemon's own. */
export async function ringing(bin: string, page: string | undefined, speed = 60): Promise<Ringing> {
  const posted: Ringing["posted"][number][] = [];
  let status = 204;
  let watched = 204;
  const far = createServer((q, a) => {
    let text = "";
    q.on("data", (d) => (text += String(d)));
    q.on("end", () => {
      if (q.url === "/alive") return void a.writeHead(watched).end();
      posted.push(JSON.parse(text) as (typeof posted)[number]);
      a.writeHead(status).end();
    });
  });
  await new Promise<void>((done) => far.listen(0, "127.0.0.1", done));
  const at = far.address();
  const port = typeof at === "object" ? at?.port : 0;
  const dir = await mkdtemp(join(tmpdir(), "ashlamp-secret-"));
  const secret = join(dir, "secret");
  await writeFile(secret, `whsec_${randomBytes(32).toString("base64")}`, { mode: 0o600 });
  const daemon = await demo(
    bin, speed, 0,
    `[notify.webhook]
url = "http://127.0.0.1:${port}/ashlamp"
secret_file = "${secret}"
[notify.heartbeat]
url = "http://127.0.0.1:${port}/alive"
every_s = 60
[notify.mail]
host = "127.0.0.1"
port = ${await freePort()}
from = "shed@fernhollow.example"
starttls = false
`,
  );
  const door = await through(daemon.url, page);
  return {
    url: door.url,
    door,
    posted,
    answer: (s) => void (status = s),
    watch: (s) => void (watched = s),
    async close() {
      await door.close();
      await daemon.close();
      far.closeAllConnections();
      await new Promise<void>((done) => far.close(() => done()));
      await rm(dir, { recursive: true, force: true });
    },
  };
}
