/** The calls of the engine's record: trends, its book, a rerun of an evening, and its papers. */
import type { components } from "../state/wire.gen.ts";
import type { BookChain, Entry, Limit, Rerun, RerunLine, Trends } from "../state/wire.ts";
import { yearsWords as words } from "../words/years.ts";
import { ask, call, of, Refusal, Silence } from "./calls.ts";

type Setup = components["schemas"]["Setup"];
export type SetupCalibration = components["schemas"]["SetupCalibration"];

/** A stream that brings nothing for this long is given up. */
const stillMs = 20_000;

export const trends = async (engine: string): Promise<Trends> => (await read("GET", of(engine, "trends"))) as Trends;

/** Entries of the book before the entry `before`, the newest first; 0 begins at the end. */
export async function book(engine: string, before: number, limit: number): Promise<readonly Entry[]> {
  const q = new URLSearchParams({ limit: String(limit), ...(before > 0 ? { before: String(before) } : {}) });
  return (await read("GET", of(engine, `book?${q}`))) as readonly Entry[];
}

/** As `call`, with words for who only reads. */
async function read(method: string, path: string): Promise<unknown> {
  try {
    return await call(method, path);
  } catch (err) {
    throw err instanceof Silence ? new Silence(words.noAnswer) : err;
  }
}

/** Text cut into lines, whatever the pieces in which it comes; the last needs no end. */
export async function* linesOf(pieces: AsyncIterable<Uint8Array>): AsyncGenerator<string> {
  const decoder = new TextDecoder();
  let rest = "";
  for await (const p of pieces) {
    const all = (rest + decoder.decode(p, { stream: true })).split("\n");
    rest = all.pop() ?? "";
    for (const l of all) if (l.trim() !== "") yield l;
  }
  rest += decoder.decode();
  if (rest.trim() !== "") yield rest;
}

/**
 * The pieces of an answer. One that breaks off, or brings nothing for long, is told as
 * such: half an answer must never be taken for the whole. `stop` gives up by hand.
 */
export async function* piecesOf(answer: Response, stop: AbortController, still = stillMs): AsyncGenerator<Uint8Array> {
  const from = answer.body?.getReader();
  if (!from) return;
  let tooLong = false;
  let timer: ReturnType<typeof setTimeout> | undefined;
  const wait = (): void => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      tooLong = true;
      stop.abort();
      void from.cancel().catch(() => undefined);
    }, still);
  };
  try {
    for (;;) {
      wait();
      const { done, value } = await from.read();
      if (tooLong) throw new Silence(words.brokeOff);
      if (done) return;
      yield value;
    }
  } catch (err) {
    if (stop.signal.aborted && !tooLong) throw new Stopped();
    throw err instanceof Refusal ? err : new Silence(words.brokeOff);
  } finally {
    clearTimeout(timer);
    void from.cancel().catch(() => undefined);
  }
}

export const chain = async (engine: string): Promise<BookChain> => (await read("GET", of(engine, "book/chain"))) as BookChain;

export const limits = async (engine: string): Promise<readonly Limit[]> => (await read("GET", of(engine, "limits"))) as readonly Limit[];

/** The last calibration of each channel of an engine and of the shed, by channel; absent where none is kept. */
export async function calibrations(engine: string): Promise<ReadonlyMap<string, SetupCalibration>> {
  const s = (await read("GET", "setup")) as Setup;
  const of_ = s.engines.find((e) => e.id === engine);
  const all = [...(of_?.channels ?? []), ...s.channels];
  return new Map(all.flatMap((c) => (c.calibration ? [[c.id, c.calibration] as const] : [])));
}

const ofDisposal = (engine: string, id: string, what: string): string => of(engine, `disposals/${encodeURIComponent(id)}/${what}`);

/**
 * A past evening judged once more by other limits; `heard` is told how much of it is
 * done, 0 to 1. It ends with `stop`, and the daemon's work with it.
 */
export async function rerun(engine: string, id: string, by: Readonly<Record<string, number>>, stop: AbortController, heard: (done: number) => void): Promise<Rerun> {
  const answer = await asked("POST", ofDisposal(engine, id, "rerun"), { limits: by }, stop);
  for await (const l of linesOf(piecesOf(answer, stop))) {
    const line = parsed(l);
    if (line.result) return line.result;
    if (line.problem) throw new Refusal([line.problem.detail || line.problem.title, line.problem.mend].filter(Boolean).join(" "));
    if (typeof line.progress === "number") heard(Math.min(1, Math.max(0, line.progress)));
  }
  throw new Silence(words.brokeOff);
}

function parsed(line: string): RerunLine {
  try {
    return JSON.parse(line) as RerunLine;
  } catch {
    throw new Silence(words.brokeOff); // The last line was cut.
  }
}

/** The papers of one disposal, by the name under which each is called. */
export const papers = ["report.pdf", "samples.csv", "samples.senml.json"] as const;
export type Paper = (typeof papers)[number];

export interface Coming {
  readonly bytes: number;
  /** Of how many, where the answer says so; else null. */
  readonly ofBytes: number | null;
  readonly rows: number;
  readonly ofRows: number | null;
}

/** A paper as it came whole. */
export interface Fetched {
  readonly blob: Blob;
  /** What the daemon calls the file; empty where it says nothing. */
  readonly name: string;
  /** As many as came: of an open evening more than were told at first. Null where rows are not counted. */
  readonly rows: number | null;
}

/** Fetches a paper whole, telling how far it has come. One that breaks off is refused. */
export async function paper(engine: string, id: string, which: Paper, stop: AbortController, heard: (c: Coming) => void): Promise<Fetched> {
  const answer = await asked("GET", ofDisposal(engine, id, which), undefined, stop);
  const ofRows = whole(answer.headers.get("Ashlamp-Rows"));
  // What is packed on its way is shorter than what is counted here.
  const ofBytes = answer.headers.get("Content-Encoding") ? null : whole(answer.headers.get("Content-Length"));
  const pieces: Uint8Array<ArrayBuffer>[] = [];
  // A row is a line; the names of the columns are none.
  const byRows = which === "samples.csv";
  let bytes = 0;
  let rows = -1;
  for await (const p of piecesOf(answer, stop)) {
    pieces.push(new Uint8Array(p));
    bytes += p.length;
    if (byRows) for (const b of p) if (b === 10) rows++;
    heard({ bytes, ofBytes, rows: Math.max(0, Math.min(rows, ofRows ?? rows)), ofRows: byRows ? ofRows : null });
  }
  if (byRows && ofRows !== null && rows < ofRows) throw new Silence(words.brokeOff);
  return {
    blob: new Blob(pieces, { type: answer.headers.get("Content-Type") ?? "application/octet-stream" }),
    name: /filename="([\w.-]+)"/.exec(answer.headers.get("Content-Disposition") ?? "")?.[1] ?? "",
    rows: byRows ? Math.max(0, rows) : null,
  };
}

const whole = (s: string | null): number | null => (s !== null && /^\d+$/.test(s) ? Number(s) : null);

/** As `ask`; the first piece of an answer must come in time, too. */
async function asked(method: string, path: string, body: unknown, stop: AbortController): Promise<Response> {
  let tooLong = false;
  const timer = setTimeout(() => {
    tooLong = true;
    stop.abort();
  }, stillMs);
  try {
    return await ask(method, path, body, stop.signal);
  } catch (err) {
    if (stop.signal.aborted && !tooLong) throw new Stopped();
    throw err instanceof Silence ? new Silence(words.noAnswer) : err;
  } finally {
    clearTimeout(timer);
  }
}

/** A person gave it up. */
export class Stopped extends Error {}
