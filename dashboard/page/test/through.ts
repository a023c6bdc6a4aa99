/**
 * A door before a real daemon: everything goes through to it, but for calls that a
 * test answers itself, to force what a daemon seldom does: a broken book, years of
 * evenings, an answer that breaks off.
 */
import { createServer, request, type IncomingMessage, type ServerResponse } from "node:http";
import { connect, type Socket } from "node:net";
import { createReadStream } from "node:fs";
import { stat } from "node:fs/promises";
import { extname, join, normalize } from "node:path";

export type Answer = (q: IncomingMessage, a: ServerResponse) => void | Promise<void>;

export interface Through {
  readonly url: string;
  /** From now on calls of this method whose path ends so are answered here; null lets them through again. */
  put(method: string, ending: string, answer: Answer | null): void;
  /** What was asked for under /api/, in order. */
  readonly asked: readonly string[];
  /** Ends every connection, and takes none until told otherwise. */
  cut(off: boolean): void;
  close(): Promise<void>;
}

const types: Record<string, string> = { ".html": "text/html; charset=utf-8", ".js": "text/javascript", ".css": "text/css", ".woff2": "font/woff2" };

/** With `dist` the page comes from there, and not from the daemon. */
export async function through(to: string, dist?: string): Promise<Through> {
  const far = new URL(to);
  const answers = new Map<string, Answer>();
  const asked: string[] = [];
  const open = new Set<Socket>();
  let off = false;
  const server = createServer((q, a) => {
    const path = new URL(q.url ?? "/", to).pathname;
    if (path.startsWith("/api/")) asked.push(`${q.method} ${q.url}`);
    for (const [key, answer] of answers) {
      const [method, ending] = key.split(" ");
      if (q.method === method && path.endsWith(ending ?? "")) return void Promise.resolve(answer(q, a)).catch(() => a.destroy());
    }
    if (dist && !/^\/(api|rules|healthz|metrics)/.test(path)) return void file(dist, path, a);
    const on = request({ host: far.hostname, port: far.port, method: q.method, path: q.url, headers: q.headers }, (r) => {
      a.writeHead(r.statusCode ?? 502, r.headers);
      r.pipe(a);
    });
    on.on("error", () => a.destroy());
    a.on("close", () => on.destroy());
    q.pipe(on);
  });
  server.on("connection", (s) => {
    if (off) return void s.destroy();
    open.add(s);
    s.on("close", () => open.delete(s));
  });
  server.on("upgrade", (q, near: Socket, head) => {
    const on = connect(Number(far.port), far.hostname, () => {
      on.write(`${q.method} ${q.url} HTTP/1.1\r\n${q.rawHeaders.map((h, i) => (i % 2 === 0 ? `${h}: ` : `${h}\r\n`)).join("")}\r\n`);
      on.write(head);
      near.pipe(on).pipe(near);
    });
    for (const [x, y] of [[near, on], [on, near]] as const) {
      x.on("error", () => y.destroy());
      x.on("close", () => y.destroy());
    }
  });
  await new Promise<void>((done) => server.listen(0, "127.0.0.1", done));
  const address = server.address();
  if (typeof address !== "object" || !address) throw new Error("the door has no port; look whether loopback is up");
  return {
    url: `http://127.0.0.1:${address.port}/`,
    put(method, ending, answer) {
      if (answer) answers.set(`${method} ${ending}`, answer);
      else answers.delete(`${method} ${ending}`);
    },
    asked,
    cut(now) {
      off = now;
      if (now) for (const s of open) s.destroy();
    },
    async close() {
      for (const s of open) s.destroy();
      await new Promise<void>((done) => server.close(() => done()));
    },
  };
}

async function file(dist: string, path: string, a: ServerResponse): Promise<void> {
  const name = join(dist, normalize(path === "/" ? "/index.html" : path));
  if (!(await stat(name).catch(() => null))?.isFile()) return void a.writeHead(404).end();
  a.writeHead(200, { "Content-Type": types[extname(name)] ?? "application/octet-stream" });
  createReadStream(name).pipe(a);
}

export const json = (what: unknown, status = 200): Answer => (_, a) => {
  a.writeHead(status, { "Content-Type": status < 400 ? "application/json" : "application/problem+json" }).end(JSON.stringify(what));
};

export const problem = (status: number, detail: string, mend: string): Answer =>
  json({ type: "/problems/test", title: detail, status, detail, mend, instance: "" }, status);
