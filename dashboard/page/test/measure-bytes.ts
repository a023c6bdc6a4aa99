/** A reverse proxy that counts what a browser fetches, as it goes over the wire. */
import { createServer, request, type IncomingMessage } from "node:http";
import { connect } from "node:net";

export interface Fetched {
  readonly path: string;
  /** Of the answer: status line, headers and the encoded body. */
  readonly bytes: number;
  /** What the browser wants it for (Fetch Metadata): "document", "script", "font"; "empty" for a call or a worker's fetch. */
  readonly dest: string;
}

export interface Counter {
  readonly url: string;
  /** In the order in which the answers ended. */
  readonly fetched: readonly Fetched[];
  close(): Promise<void>;
}

export async function count(to: string): Promise<Counter> {
  const far = new URL(to);
  const fetched: Fetched[] = [];
  const server = createServer((q, a) => {
    const on = request({ host: far.hostname, port: far.port, path: q.url, method: q.method, headers: { ...q.headers, host: far.host } }, (r) => {
      let bytes = head(r);
      a.writeHead(r.statusCode ?? 502, r.headers);
      r.on("data", (d: Buffer) => (bytes += d.length));
      r.on("end", () => fetched.push({ path: q.url ?? "", bytes, dest: String(q.headers["sec-fetch-dest"] ?? "") }));
      r.pipe(a);
    });
    on.on("error", () => a.destroy());
    q.pipe(on);
  });
  // The live link goes through as it is: it is no part of a load.
  server.on("upgrade", (q, near, first) => {
    const on = connect(Number(far.port), far.hostname, () => {
      on.write(`${q.method} ${q.url} HTTP/1.1\r\n${pairs(q).map(([k, v]) => `${k}: ${/^(host|origin)$/i.test(k) ? v.replace(/[^/]+$/, far.host) : v}\r\n`).join("")}\r\n`);
      on.write(first);
      on.pipe(near);
      near.pipe(on);
    });
    for (const [x, y] of [[near, on], [on, near]] as const) {
      x.on("error", () => y.destroy());
      x.on("close", () => y.destroy());
    }
  });
  await new Promise<void>((done) => server.listen(0, "127.0.0.1", done));
  const address = server.address();
  if (typeof address !== "object" || !address) throw new Error("no port is free on loopback");
  return {
    url: `http://127.0.0.1:${address.port}/`,
    fetched,
    async close() {
      server.closeAllConnections();
      await new Promise<void>((done) => server.close(() => done()));
    },
  };
}

function pairs(m: IncomingMessage): [string, string][] {
  return m.rawHeaders.flatMap((k, i) => (i % 2 === 0 ? [[k, m.rawHeaders[i + 1] ?? ""] as [string, string]] : []));
}

const head = (r: IncomingMessage): number =>
  `HTTP/1.1 ${r.statusCode} ${r.statusMessage}\r\n`.length + pairs(r).reduce((n, [k, v]) => n + k.length + v.length + 4, 0) + 2;
