import { describe, expect, it, vi } from "vitest";

// calls.ts asks the page for its own address; there is no page here.
vi.stubGlobal("document", { baseURI: "http://localhost/" });
const { linesOf, piecesOf, Stopped } = await import("./record.ts");

const bytes = (s: string): Uint8Array => new TextEncoder().encode(s);
async function* each(...all: readonly Uint8Array[]): AsyncGenerator<Uint8Array> {
  for (const a of all) yield a;
}
async function all<T>(of: AsyncIterable<T>): Promise<T[]> {
  const out: T[] = [];
  for await (const x of of) out.push(x);
  return out;
}

describe("lines of a stream", () => {
  it("are whole whatever the pieces, a letter cut in two among them", async () => {
    const whole = bytes('{"a":"\u2212\u00b0"}\n\n{"b":2}\n{"c":3}');
    for (let n = 1; n <= whole.length; n++) {
      const pieces: Uint8Array[] = [];
      for (let i = 0; i < whole.length; i += n) pieces.push(whole.slice(i, i + n));
      expect(await all(linesOf(each(...pieces)))).toEqual(['{"a":"\u2212\u00b0"}', '{"b":2}', '{"c":3}']);
    }
    expect(await all(linesOf(each()))).toEqual([]);
  });
});

describe("pieces of an answer", () => {
  const answer = (start: (c: ReadableStreamDefaultController<Uint8Array>) => void): Response => new Response(new ReadableStream({ start }));
  it("come to their end", async () => {
    const a = answer((c) => {
      c.enqueue(bytes("ab"));
      c.close();
    });
    expect((await all(piecesOf(a, new AbortController()))).length).toBe(1);
  });
  it("that break off are told, and never taken for the whole", async () => {
    const a = answer((c) => {
      c.enqueue(bytes("ab"));
      setTimeout(() => c.error(new TypeError("network error")));
    });
    await expect(all(piecesOf(a, new AbortController()))).rejects.toThrow("broke off");
  });
  it("that stay away are given up", async () => {
    vi.useFakeTimers();
    try {
      const got = expect(all(piecesOf(answer((c) => c.enqueue(bytes("ab"))), new AbortController(), 20_000))).rejects.toThrow("broke off");
      await vi.advanceTimersByTimeAsync(20_001);
      await got;
    } finally {
      vi.useRealTimers();
    }
  });
  it("that a person gave up are told as such", async () => {
    const stop = new AbortController();
    const a = answer((c) => stop.signal.addEventListener("abort", () => c.error(new DOMException("aborted", "AbortError"))));
    const got = expect(all(piecesOf(a, stop))).rejects.toBeInstanceOf(Stopped);
    stop.abort();
    await got;
  });
});
