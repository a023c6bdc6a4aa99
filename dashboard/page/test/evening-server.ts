/**
 * A small real server for the page's tests and for working on it: serves the built
 * page and speaks the live link and the calls, from evenings of `evening.ts`.
 *
 *     npm run build && npm run dev -- --speed 60 --from 80
 */
import { createServer, type IncomingMessage, type Server, type ServerResponse } from "node:http";
import { readFile } from "node:fs/promises";
import { extname, join, normalize } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { WebSocketServer, type WebSocket } from "ws";
import type { Bucket, Change, Live, State } from "../src/state/wire.ts";
import { Evening, iso, shed, type Fault } from "./evening.ts";

/** The built page; PAGE names another folder, for a page that is being worked on. */
const dist = process.env["PAGE"] ?? fileURLToPath(new URL("../dist/", import.meta.url));
const types: Record<string, string> = { ".html": "text/html; charset=utf-8", ".js": "text/javascript", ".css": "text/css", ".woff2": "font/woff2", ".webmanifest": "application/manifest+json", ".svg": "image/svg+xml", ".png": "image/png" };

/** An answer from elsewhere; undefined where that has none. */
type Also = { readonly status?: number; readonly body: string } | undefined;

export interface Options {
  /** Simulated seconds a second. */
  readonly speed: number;
  /** Minutes of the evening that are already over. */
  readonly from: number;
  readonly fault: Fault;
  readonly crew: boolean;
  /** True for a store in which nothing is. */
  readonly empty: boolean;
  readonly port: number;
  /** Answers calls that the evening does not know, by method and path; undefined leaves it to the others. */
  readonly also?: (method: string, u: URL) => Also | Promise<Also>;
}

export interface Running {
  readonly url: string;
  /** Cuts every socket; with `refuse`, new ones too until told otherwise. */
  cut(refuse: boolean): void;
  /** Holds the beats and changes back without closing anything. */
  hush(quiet: boolean): void;
  /** What was posted, in order. */
  readonly posted: readonly string[];
  /** The next post fails with a problem. */
  failNext(): void;
  close(): Promise<void>;
}

export async function serve(o: Options): Promise<Running> {
  const begun = Date.UTC(2026, 9, 24, 14, 30);
  const make = (engine: string, name: string, at: number, fault: Fault): Evening =>
    new Evening({ engine, name, begun: at, fault, crew: o.crew, measured: !o.empty });
  const evenings = [make("quillet", "Quillet", begun, o.fault), make("marrow", "Marrow", begun - 40 * 60_000, o.fault === "flooded" ? o.fault : "none")];
  let at = begun + o.from * 60_000;
  for (const e of evenings) e.goTo(at);

  let n = 1;
  let hushed = false;
  let refusing = false;
  let failing = false;
  const posted: string[] = [];
  const history: Live[] = [];
  const sockets = new Set<WebSocket>();
  let last = evenings.map((e) => e.state());

  const tell = (m: Live): void => {
    if (hushed) return;
    const text = JSON.stringify(m);
    for (const s of sockets) s.send(text);
  };
  const publish = (): void => {
    evenings.forEach((e, i) => {
      const now = e.state();
      const before = last[i];
      const change = before ? differs(before, now) : null;
      last[i] = now;
      if (!change) return;
      n++;
      const m: Live = { n, change };
      history.push(m);
      if (history.length > 500) history.shift();
      tell(m);
    });
  };
  const stepMs = o.speed > 1 ? 250 : 1000;
  const ticking = setInterval(() => {
    at += o.speed * stepMs;
    for (const e of evenings) e.goTo(at);
    publish();
  }, stepMs);
  const beating = setInterval(() => tell({ n, beat: { at: iso(at) } }), 1000);

  const server: Server = createServer((q, a) => {
    handle(q, a).catch((err: unknown) => problem(a, 500, String(err)));
  });
  const handle = async (q: IncomingMessage, a: ServerResponse): Promise<void> => {
    const u = new URL(q.url ?? "/", "http://localhost");
    const also = await o.also?.(q.method ?? "GET", u);
    if (also) return void a.writeHead(also.status ?? 200, { "Content-Type": "application/json" }).end(also.body);
    const m = /^\/api\/v1\/engines\/([^/]+)\/([^/]+)(?:\/([^/]+))?$/.exec(u.pathname);
    const alarmed = /^\/api\/v1\/alarms\/([^/]+)\/(acknowledge|shelve|unshelve)$/.exec(u.pathname);
    if (alarmed && q.method === "POST") {
      const [id, what] = [decodeURIComponent(alarmed[1] ?? ""), alarmed[2] ?? ""];
      const body = JSON.parse((await text(q)) || "{}") as Record<string, unknown>;
      posted.push(`${q.method} ${u.pathname} ${JSON.stringify(body)}`);
      if (failing) {
        failing = false;
        return problem(a, 409, "There is nothing to acknowledge.");
      }
      if (!evenings.some((x) => x.handle(id, what, body))) return problem(a, 404, `No alarm has the id ${id}.`);
      publish();
      return json(a, 200, { t: iso(at), kind: `alarm-${what}d`, subject: id });
    }
    if (!m) return file(u.pathname, a);
    const e = evenings.find((x) => x.plan.engine === m[1]);
    if (!e) return problem(a, 404, `no engine ${m[1]}`);
    const from = Date.parse(u.searchParams.get("from") ?? "");
    const to = Date.parse(u.searchParams.get("to") ?? "");
    const body = q.method === "POST" ? (JSON.parse(await text(q)) as Record<string, string>) : {};
    if (q.method !== "GET") {
      posted.push(`${q.method} ${u.pathname}${u.search} ${JSON.stringify(body)}`);
      if (failing) {
        failing = false;
        return problem(a, 409, "The confirmation was not asked for just now.");
      }
    }
    switch (`${q.method} ${m[2]}`) {
      case "GET series": {
        const c = u.searchParams.get("channel") ?? "";
        return json(a, 200, { channel: c, unit: "", from: iso(from), to: iso(to), buckets: buckets(e, c, from, to, Number(u.searchParams.get("points") ?? 600)) });
      }
      case "GET lanes":
        return json(a, 200, {
          from: iso(from), to: iso(to),
          lanes: [...e.segments].map(([step, segments]) => ({ step, segments })),
          stamps: e.stamps.filter((s) => Date.parse(s.t) >= from && Date.parse(s.t) < to + 1),
        });
      case "POST confirmations": {
        const s = e.confirm(body["confirm"] ?? "", body["by"] ?? "");
        e.goTo(at + 5_000);
        publish();
        return json(a, 201, s);
      }
      case "DELETE confirmations": {
        const s = e.withdraw(m[3] ?? "", u.searchParams.get("by") ?? "");
        publish();
        return s ? json(a, 200, s) : problem(a, 404, "That confirmation does not stand.");
      }
      case "POST events":
        if (!e.hear(body)) e.end();
        publish();
        return json(a, 201, { t: iso(at), kind: "disposal-ended" });
      default:
        return problem(a, 404, "no such call");
    }
  };
  const wss = new WebSocketServer({ noServer: true });
  server.on("upgrade", (q, socket, head) => {
    if (refusing) return socket.destroy();
    wss.handleUpgrade(q, socket, head, (ws) => {
      sockets.add(ws);
      ws.on("close", () => sockets.delete(ws));
      const after = Number(new URL(q.url ?? "", "http://localhost").searchParams.get("after") ?? 0);
      if (hushed) return;
      const missed = history.filter((m) => m.n > after);
      if (after > 0 && after <= n && missed.length === n - after) missed.forEach((m) => ws.send(JSON.stringify(m)));
      else ws.send(JSON.stringify({ n, snapshot: { at: iso(at), shed, engines: evenings.map((e) => e.engine), states: last } } satisfies Live));
      ws.send(JSON.stringify({ n, beat: { at: iso(at) } } satisfies Live));
    });
  });
  await new Promise<void>((done) => server.listen(o.port, "127.0.0.1", done));
  const address = server.address();
  const port = typeof address === "object" && address ? address.port : o.port;
  return {
    url: `http://127.0.0.1:${port}/`,
    cut(refuse) {
      refusing = refuse;
      if (refuse || sockets.size > 0) for (const s of sockets) s.terminate();
    },
    hush: (quiet) => void (hushed = quiet),
    posted,
    failNext: () => void (failing = true),
    async close() {
      clearInterval(ticking);
      clearInterval(beating);
      for (const s of sockets) s.terminate();
      server.closeAllConnections();
      await new Promise<void>((done) => server.close(() => done()));
    },
  };
}

function differs(a: State, b: State): Change | null {
  const channels = Object.fromEntries(
    Object.entries(b.channels).filter(([c, r]) => a.channels[c]?.at !== r.at || a.channels[c]?.stale !== r.stale),
  );
  const steps = b.steps.filter((s, i) => JSON.stringify(s) !== JSON.stringify(a.steps[i]));
  const other = <K extends keyof State>(k: K): object => (JSON.stringify(a[k]) === JSON.stringify(b[k]) ? {} : { [k]: b[k] });
  const rest = { ...other("phase"), ...other("front"), ...other("asks"), ...other("alarms"), ...other("confirmations"), ...other("disposal"),
    ...other("findings"), ...other("bearing"), ...other("rest") };
  if (Object.keys(channels).length + steps.length + Object.keys(rest).length === 0) return null;
  return { at: b.at, engine: b.engine, ...(Object.keys(channels).length ? { channels } : {}), ...(steps.length ? { steps } : {}), ...rest };
}

function buckets(e: Evening, c: string, from: number, to: number, points: number): Bucket[] {
  const width = Math.max(1, Math.ceil((to - from) / points));
  const all = e.samples.get(c) ?? [];
  const out: Bucket[] = [];
  let i = 0;
  for (let t = from; t < to; t += width) {
    const v: number[] = [];
    while (i < all.length && (all[i]?.t ?? 0) < t) i++;
    for (; i < all.length && (all[i]?.t ?? 0) < t + width; i++) if (all[i]?.v !== null) v.push(all[i]?.v ?? 0);
    out.push({
      from: iso(t), to: iso(t + width), count: v.length, worst: v.length ? "good" : "bad",
      min: v.length ? Math.min(...v) : null, max: v.length ? Math.max(...v) : null, mean: v.length ? v.reduce((a, b) => a + b) / v.length : null,
    });
  }
  return out;
}

async function file(path: string, a: ServerResponse): Promise<void> {
  const name = normalize(path === "/" ? "/index.html" : path);
  try {
    const body = await readFile(join(dist, name));
    const type = types[extname(name)] ?? "application/octet-stream";
    if (/\.(woff2|png)$/.test(name)) a.writeHead(200, { "Content-Type": type }).end(body);
    else a.writeHead(200, { "Content-Type": type, "Content-Encoding": "gzip" }).end(gzipSync(body));
  } catch {
    problem(a, 404, `no file ${name}; run npm run build`);
  }
}

const json = (a: ServerResponse, status: number, body: unknown): void => {
  a.writeHead(status, { "Content-Type": "application/json" }).end(JSON.stringify(body));
};
const problem = (a: ServerResponse, status: number, detail: string): void => {
  a.writeHead(status, { "Content-Type": "application/problem+json" }).end(JSON.stringify({ status, title: detail, detail, mend: "", type: "about:blank", instance: "" }));
};
const text = async (q: IncomingMessage): Promise<string> => {
  let s = "";
  for await (const c of q) s += String(c);
  return s;
};

export const defaults: Options = { speed: 1, from: 0, fault: "none", crew: true, empty: false, port: 0 };

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const arg = (name: string, otherwise: string): string => {
    const i = process.argv.indexOf(`--${name}`);
    return i > 0 ? (process.argv[i + 1] ?? otherwise) : otherwise;
  };
  const r = await serve({
    speed: Number(arg("speed", "60")),
    from: Number(arg("from", "0")),
    fault: arg("fault", "none") as Fault,
    crew: arg("crew", "yes") === "yes",
    empty: arg("empty", "no") === "yes",
    port: Number(arg("port", "8079")),
  });
  console.log(r.url);
}
