/**
 * The live link: one WebSocket at a time, opened again every two seconds, closed
 * by us when it has gone quiet.
 */
import { nothing, read, reduce, type Known, type Message } from "../state/known.ts";

/** Beats come every second: this long without any message is a dead link. */
export const quietMs = 2_500;
export const againMs = 2_000;
/** A socket that has not opened after this long is given up. */
const openingMs = 5_000;
/**
 * Messages are put onto the page at most this often, the first after a pause at
 * once; that they came is always noted at once. Four times a second is as fast as
 * figures can be read, and leaves a slow tablet its time for touches.
 */
const applyMs = 250;
/** More than this many waiting are applied at once: a page in the background has slow timers. */
const applyCount = 200;

export interface Ears {
  /** What the page knows changed; the messages that changed it, in order. */
  knows(k: Known, by: readonly Message[]): void;
  /** Something was heard. */
  heard(): void;
  /** The socket opened, or is gone. */
  open(open: boolean): void;
}

export interface Line {
  /** To be called a few times a second: notices quiet, and tries again. */
  look(): void;
  close(): void;
}

/** `url` gives the address for the number of the last message applied; 0 asks for everything. */
export function listen(url: (after: number) => string, now: () => number, ears: Ears): Line {
  let known: Known = nothing;
  let socket: WebSocket | null = null;
  let openedAt = 0;
  let heardAt: number | null = null;
  let triedAt = -Infinity;
  let appliedAt = -Infinity;
  let closed = false;
  let caughtUp = false;
  let waiting: Message[] = [];
  let timer: ReturnType<typeof setTimeout> | undefined;

  const apply = (): void => {
    clearTimeout(timer);
    timer = undefined;
    appliedAt = now();
    const batch = waiting;
    waiting = [];
    if (batch.length === 0) return;
    const before = known;
    for (const m of batch) known = reduce(known, m);
    if (known !== before) ears.knows(known, batch);
    if (known.torn) {
      hangUp(); // The next one asks for everything.
    } else if (!caughtUp) {
      // Only now is what the page shows what this socket tells; before, it was
      // what the last one told.
      caughtUp = true;
      ears.heard();
    }
  };

  const hangUp = (): void => {
    const s = socket;
    if (!s) return;
    socket = null;
    heardAt = null;
    waiting = [];
    s.onopen = s.onmessage = s.onclose = s.onerror = null;
    s.close();
    ears.open(false);
  };

  const dial = (): void => {
    triedAt = now();
    caughtUp = false;
    const s = new WebSocket(url(known.torn ? 0 : known.n));
    socket = s;
    openedAt = triedAt;
    s.onopen = () => {
      ears.open(true);
    };
    s.onmessage = (e: MessageEvent) => {
      let m: Message;
      try {
        m = read(String(e.data));
      } catch (err) {
        console.error(err);
        known = { ...known, torn: true };
        ears.knows(known, []);
        hangUp();
        return;
      }
      heardAt = now();
      if (caughtUp) ears.heard();
      waiting.push(m);
      if (waiting.length >= applyCount) apply();
      else timer ??= setTimeout(apply, Math.max(0, appliedAt + applyMs - now()));
    };
    s.onclose = s.onerror = () => {
      if (socket === s) hangUp();
    };
  };

  return {
    look() {
      if (closed) return;
      const t = now();
      if (socket) {
        const since = heardAt ?? openedAt;
        if (t - since > (heardAt === null ? openingMs : quietMs)) hangUp();
      }
      if (!socket && t - triedAt >= againMs) dial();
    },
    close() {
      closed = true;
      hangUp();
      clearTimeout(timer);
    },
  };
}
