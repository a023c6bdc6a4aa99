/** The engine's book: whether it is whole, and its entries, the newest first, a page at a time. */
import { useEffect, useRef, useState } from "preact/hooks";
import { book, chain } from "../link/record.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import { stepTitleOf, watchTitleOf } from "../state/sensors.ts";
import type { BookChain, Entry } from "../state/wire.ts";
import { clock, clockSeconds, when } from "../words/clock.ts";
import { retold } from "../words/units.ts";
import { counted, yearsWords } from "../words/years.ts";
import { units } from "../crew/told.ts";
import "../style/years.css";
import { whyOf } from "./called.ts";
import { dateOf } from "./change.ts";
import { filters, joined, lineOf, type Filter, type Line, type Names } from "./entries.ts";
import { Fill } from "./Fill.tsx";
import type { PartProps } from "./part.ts";

const w = yearsWords.book;

/** Entries of a page: a busy evening has some three hundred. */
const pageLength = 100;

/** How often it is asked how far the book has been gone through. */
const askMs = 1_000;

export function Book({ engine }: PartProps) {
  const zone = shown.zone.value;
  const [c, chainTrouble] = useChain(engine.id);
  const [entries, set] = useState<readonly Entry[] | null>(null);
  const [end, setEnd] = useState(false);
  const [turning, setTurning] = useState<"" | "newest" | "earlier">("newest");
  const [trouble, setTrouble] = useState("");
  const [only, setOnly] = useState<Filter>("all");
  const left = useRef(false);
  const turn = async (which: "newest" | "earlier"): Promise<void> => {
    setTurning(which);
    try {
      const before = which === "newest" ? 0 : (entries?.at(-1)?.seq ?? 0);
      const page = await book(engine.id, before, pageLength);
      if (left.current) return;
      // Newest ones that do not reach down to those held would leave a hole: begin anew.
      const apart = which === "newest" && entries !== null && (page.at(-1)?.seq ?? 0) > (entries[0]?.seq ?? 0) + 1;
      const all = apart || entries === null ? joined(page, []) : joined(page, entries);
      set(all);
      if (which === "earlier" || entries === null || apart) setEnd(page.length < pageLength);
      setTrouble("");
    } catch (err) {
      if (!left.current) setTrouble(w.failed(whyOf(err)));
    }
    if (!left.current) setTurning("");
  };
  const live = shown.live.value;
  useEffect(() => {
    left.current = false;
    return () => {
      left.current = true;
    };
  }, []);
  useEffect(() => {
    if (entries === null && live) void turn("newest");
  }, [live]);
  useEffect(() => {
    void turn("newest");
  }, []);

  const names: Names = {
    step: (id) => stepTitleOf(engine.id, id),
    watch: (id) => watchTitleOf(engine.id, id),
    time: (iso) => when(Date.parse(iso), shown.now.value, zone),
  };
  const [head, how] = chainTold(engine.name, c, chainTrouble, zone);
  const lines = (entries ?? []).map((e) => ({ e, line: lineOf(e, names) }));
  const seen = only === "all" ? lines : lines.filter((l) => l.line.filter === only);
  const newest = Date.parse(entries?.[0]?.t ?? "");
  const broken = c?.broken?.seq;
  const days: { name: string; rows: typeof seen }[] = [];
  for (const l of seen) {
    const name = dateOf(Date.parse(l.e.t), Number.isFinite(newest) ? newest : Date.parse(l.e.t), zone);
    const last = days.at(-1);
    if (last?.name === name) last.rows.push(l);
    else days.push({ name, rows: [l] });
  }
  return (
    <>
      <h1 class="finding-head">{head}</h1>
      <p class="how" role="status">
        {how}
      </p>
      {c?.mark && (
        <p class="how book-mark">
          {w.chain.mark} <code>{c.mark}</code>
        </p>
      )}
      <div class="book-words">
        <div class="choice" role="group" aria-label={w.show}>
          <span class="choice-name">{w.show}</span>
          {filters.map((f) => (
            <Touch key={f} pressed={f === only} onTouch={() => setOnly(f)}>
              {w.filters[f]}
            </Touch>
          ))}
        </div>
        <div class="choice">
          {entries && <span class="choice-name">{w.counted(seen.length, lines.length)}</span>}
          <Touch onTouch={() => void turn("newest")}>{w.look}</Touch>
        </div>
      </div>
      {entries === null && !trouble && <p role="status">{w.waiting}</p>}
      {trouble && (
        <p class="how" role="status">
          {trouble} <Touch onTouch={() => void turn(entries === null ? "newest" : "earlier")}>{yearsWords.again}</Touch>
        </p>
      )}
      {entries?.length === 0 && (
        <>
          <h2>{w.empty(engine.name)}</h2>
          <p class="how">{w.emptyWaits}</p>
        </>
      )}
      {entries !== null && entries.length > 0 && seen.length === 0 && <p class="how">{w.noneOfKind}</p>}
      {days.map((d) => (
        <section key={`${d.name} ${d.rows[0]?.e.seq ?? 0}`} class="book-day">
          <h2>{d.name}</h2>
          <ol>
            {d.rows.map(({ e, line }) => (
              <Row key={e.seq} e={e} line={line} zone={zone} broken={broken === e.seq} />
            ))}
          </ol>
        </section>
      ))}
      {entries !== null && entries.length > 0 && (
        <p class="book-end">
          {end ? <span>{w.first}</span> : turning === "earlier" ? <span role="status">{w.earlierComing}</span> : <Touch onTouch={() => void turn("earlier")}>{w.earlier}</Touch>}
          <span class="book-record">{w.record}</span>
        </p>
      )}
    </>
  );
}

function Row({ e, line, zone, broken }: { e: Entry; line: Line; zone: string; broken: boolean }) {
  const t = Date.parse(e.t);
  return (
    <li class={broken ? "book-row book-broken" : "book-row"} data-kind={e.kind} value={e.seq}>
      <time dateTime={e.t} title={clockSeconds(t, zone)}>
        {clock(t, zone)}
      </time>
      <span class="book-what">
        {line.verdict && <Fill verdict={line.verdict} />}
        <strong>{line.what}</strong>
        {line.more && <span> {retold(line.more, units())}</span>}
        {broken && <em> {w.chain.here}</em>}
      </span>
      <span class="book-by">{line.by}</span>
      <span class="book-seq">{w.entry(e.seq)}</span>
    </li>
  );
}

/** What is known of the book's chain; asked again while it is being gone through. */
function useChain(engine: string): readonly [BookChain | null, string] {
  const [state, set] = useState<readonly [BookChain | null, string]>([null, ""]);
  const live = shown.live.value;
  useEffect(() => {
    let left = false;
    let timer: ReturnType<typeof setTimeout> | undefined;
    const look = async (): Promise<void> => {
      try {
        const c = await chain(engine);
        if (left) return;
        set([c, ""]);
        if (c.progress !== null) timer = setTimeout(() => void look(), askMs);
      } catch (err) {
        // What was found before stands as it was found then; what cannot be asked is told.
        if (!left) set(([c]) => [c, whyOf(err)]);
      }
    };
    if (live) void look();
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [engine, live]);
  return state;
}

function chainTold(engine: string, c: BookChain | null, trouble: string, zone: string): readonly [string, string] {
  const x = w.chain;
  if (!c) return [w.title(engine), trouble ? x.failed(trouble) : x.asking];
  const now = shown.now.value;
  const at = (t: string | null): number => Date.parse(t ?? "");
  const proved = c.proved_at ? x.proved(when(at(c.proved_at), now, zone)) : "";
  const running = c.progress === null ? "" : x.running(Math.round(c.progress * 100));
  const tail = [proved, running, trouble ? x.failed(trouble) : ""];
  const say = (...all: readonly string[]): string => all.filter(Boolean).join(" ");
  switch (c.state) {
    case "whole":
      if (c.entries === 0 || !c.first || !c.last) return [x.wholeNone(engine), say(...tail)];
      return [x.whole(engine, counted(c.entries), dateOf(at(c.first), at(c.last), zone), dateOf(at(c.last), at(c.last), zone)), say(c.text, ...tail)];
    case "broken": {
      const b = c.broken;
      if (!b) return [x.notKnown(engine), say(c.text, ...tail)];
      return [b.seq === 0 ? x.brokenBefore(engine) : x.brokenAt(engine, b.seq), say(c.text || say(x.fault[b.fault] ?? "", b.why), ...tail)];
    }
    case "not-known":
      return [x.notKnown(engine), say(c.text, ...tail)];
    default:
      return c.state satisfies never;
  }
}
