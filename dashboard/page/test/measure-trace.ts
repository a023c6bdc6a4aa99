/** What a trace of the browser tells of a page's main thread. */

/** An event of the trace event format; times in microseconds. */
interface TraceEvent {
  readonly name: string;
  readonly ph: string;
  readonly pid: number;
  readonly tid: number;
  readonly ts: number;
  /** By the wall, and of the processor. */
  readonly dur?: number;
  readonly tdur?: number;
  readonly args?: { readonly name?: string; readonly data?: Record<string, unknown> };
}

/** A task of the main thread; times in ms, `at` since the page was asked for. */
export interface Task {
  readonly at: number;
  readonly ms: number;
  /** What the thread had of a processor: less than `ms` where another program had it meanwhile. */
  readonly cpu: number;
  /** What it was, the longest part first. */
  readonly parts: string;
}

/** The categories that {@link tasksOf} needs. */
export const categories = ["toplevel", "blink.user_timing", "devtools.timeline", "disabled-by-default-devtools.timeline"];

/** The tasks of the page's main thread from the last navigation on, in order. */
export function tasksOf(trace: Buffer): Task[] {
  const all = (JSON.parse(trace.toString()) as { traceEvents: TraceEvent[] }).traceEvents;
  const thread = (e: TraceEvent): string => `${e.pid}/${e.tid}`;
  const mains = new Set(all.filter((e) => e.name === "thread_name" && e.args?.name === "CrRendererMain").map(thread));
  const starts = all.filter((e) => e.name === "navigationStart" && mains.has(thread(e)) && /^http/.test(String(e.args?.data?.["documentLoaderURL"] ?? "")));
  const start = starts.sort((a, b) => a.ts - b.ts).at(-1);
  if (!start) throw new Error("the trace has no navigation; was the page opened while it was taken?");
  const mine = all.filter((e) => e.ph === "X" && thread(e) === thread(start) && e.ts + (e.dur ?? 0) > start.ts).sort((a, b) => a.ts - b.ts || (b.dur ?? 0) - (a.dur ?? 0));
  const out: Task[] = [];
  let i = 0;
  for (const t of mine) {
    if (t.name !== "RunTask") continue;
    const end = t.ts + (t.dur ?? 0);
    while ((mine[i]?.ts ?? Infinity) < t.ts) i++;
    const inside: TraceEvent[] = [];
    for (let k = i; (mine[k]?.ts ?? Infinity) < end; k++) if (mine[k] && mine[k] !== t) inside.push(mine[k] as TraceEvent);
    out.push({ at: (t.ts - start.ts) / 1000, ms: (t.dur ?? 0) / 1000, cpu: (t.tdur ?? 0) / 1000, parts: parts(inside) });
  }
  return out;
}

/** The parts by what each took without those within it. */
function parts(inside: readonly TraceEvent[]): string {
  const own = new Map<TraceEvent, number>(inside.map((e) => [e, e.dur ?? 0]));
  const open: TraceEvent[] = [];
  for (const e of inside) {
    while (open.length > 0 && (open.at(-1)?.ts ?? 0) + (open.at(-1)?.dur ?? 0) <= e.ts) open.pop();
    const around = open.at(-1);
    if (around) own.set(around, (own.get(around) ?? 0) - (e.dur ?? 0));
    open.push(e);
  }
  const by = new Map<string, number>();
  for (const [e, us] of own) by.set(e.name, (by.get(e.name) ?? 0) + us / 1000);
  return [...by]
    .filter(([, ms]) => ms >= 1)
    .sort((a, b) => b[1] - a[1])
    .slice(0, 6)
    .map(([name, ms]) => `${name} ${Math.round(ms)}`)
    .join(", ");
}
