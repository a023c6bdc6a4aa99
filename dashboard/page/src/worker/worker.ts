/**
 * Lets the page open where the shed cannot be reached. It keeps the files of one build,
 * each as a whole or not at all, and answers for those alone: what is live, the calls,
 * the rules and the figures of the daemon never pass through here.
 *
 * It also shows what the daemon sends to this browser, page open or not, and opens the
 * page where that is about.
 *
 * The page itself is asked of the daemon first, so that a new daemon's page is taken
 * the next time it is opened. Everything else has the hash of its content in its name:
 * whichever page is open, old or new, finds its own files and no other's.
 */
import { kindOf, ours, type Built } from "./kind.ts";
import { pushed, shownAs, turnOf, unread, withTurn, type Carried, type Turns } from "./ring.ts";

declare const self: ServiceWorkerGlobalScope;
/** Put in by the build: the files beside the page, and the page as it was built with them. */
declare const __BUILT__: Built;

const built = __BUILT__;
const cacheName = `${ours}${built.version}`;
const files = new Set(built.files.map((f) => new URL(f, self.registration.scope).href));
const page = new URL("./", self.registration.scope).href;

/** The daemon has this long to answer with the page before the one that was kept is opened. */
const patienceMs = 1_500;

async function fill(): Promise<void> {
  const cache = await caches.open(cacheName);
  const answer = await fetch(page, { cache: "no-store" });
  // Another daemon may have come up since this worker was fetched: its page is not of this build.
  if (!answer.ok || (await answer.clone().text()) !== built.page) throw new Error("the page is of another build than its worker; it is kept the next time it is opened");
  await cache.put(page, answer);
  await cache.addAll([...files]);
}

async function forgetOthers(): Promise<void> {
  for (const name of await caches.keys()) if (name.startsWith(ours) && name !== cacheName) await caches.delete(name);
  await self.clients.claim();
}

/** The daemon's own page, or the kept one where no good answer comes in time. */
async function pageFor(request: Request): Promise<Response> {
  const network = fetch(request);
  const kept = await (await caches.open(cacheName)).match(page);
  if (!kept) return network;
  const good = network.then(
    (a) => (a.ok || a.type === "opaqueredirect" ? a : kept),
    () => kept,
  );
  return Promise.race([good, new Promise<Response>((late) => setTimeout(() => late(kept), patienceMs))]);
}

async function fileFor(request: Request): Promise<Response> {
  return (await (await caches.open(cacheName)).match(request.url)) ?? fetch(request);
}

self.addEventListener("install", (e) => e.waitUntil(fill()));
self.addEventListener("activate", (e) => e.waitUntil(forgetOthers()));
self.addEventListener("fetch", (e) => {
  switch (kindOf(e.request, page, files)) {
    case "page":
      return e.respondWith(pageFor(e.request));
    case "file":
      return e.respondWith(fileFor(e.request));
    default:
      return;
  }
});
/** What outlives a build: the turns that were shown, and whose browser this is. */
const lastingName = "ashlamp-rung";
interface Rung {
  readonly person: string;
  readonly name: string;
  /** The way's id, without "push/". */
  readonly id: string;
}

async function recall<T>(what: string, otherwise: T): Promise<T> {
  const found = await (await caches.open(lastingName)).match(new URL(what, page));
  return found ? ((await found.json()) as T) : otherwise;
}
async function remember(what: string, value: unknown): Promise<void> {
  await (await caches.open(lastingName)).put(new URL(what, page), Response.json(value));
}

/** One message after another: two turns of a cause that come at once must not pass each other. */
let showing: Promise<void> = Promise.resolve();

async function show(text: string): Promise<void> {
  const p = pushed(text);
  if (!p) {
    const { title, options } = unread();
    return self.registration.showNotification(title, options);
  }
  const turns = await recall<Turns>("turns", []);
  const s = shownAs(p, Date.now(), turnOf(turns, p.tag));
  if (!s) return;
  await self.registration.showNotification(s.title, s.options);
  await remember("turns", withTurn(turns, p.tag, p.n));
}

/** The page goes where the message is about: the one that is open, or a new one. */
async function openAt(place: string): Promise<void> {
  const url = new URL(place, page).href;
  const pages = (await self.clients.matchAll({ type: "window", includeUncontrolled: true })).filter((c) => c.url.startsWith(page));
  const open = pages.find((c) => c.focused) ?? pages.find((c) => c.visibilityState === "visible") ?? pages[0];
  if (!open) return void (await self.clients.openWindow(url));
  // Focused first: a page that sleeps in the background answers nothing before that.
  await open.focus().catch(() => undefined);
  try {
    await open.navigate(url);
  } catch {
    open.postMessage({ place }); // A page that no worker answers for goes there by itself.
  }
}

/** The push service gave this browser another address: the daemon is told, so that it goes on ringing. */
async function moved(e: PushSubscriptionChangeEvent): Promise<void> {
  const rung = await recall<Rung | null>("rung", null);
  if (!rung) return;
  const options = e.oldSubscription?.options;
  const s = e.newSubscription ?? (options ? await self.registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: options.applicationServerKey }) : null);
  if (!s) return;
  const { endpoint, keys } = s.toJSON();
  const at = new URL(`api/v1/people/${encodeURIComponent(rung.person)}/alerts/browsers`, page);
  const body = JSON.stringify({ name: rung.name, endpoint, p256dh: keys?.["p256dh"], auth: keys?.["auth"] });
  const answer = await fetch(at, { method: "POST", headers: { "Content-Type": "application/json" }, body });
  if (!answer.ok) return;
  const id = ((await answer.json()) as { readonly id: string }).id.replace("push/", "");
  await remember("rung", { ...rung, id } satisfies Rung);
  if (id !== rung.id) await fetch(`${at.href}/${encodeURIComponent(rung.id)}`, { method: "DELETE" });
}

self.addEventListener("push", (e) => {
  const text = e.data?.text() ?? "";
  showing = showing.catch(() => undefined).then(() => show(text));
  e.waitUntil(showing);
});
self.addEventListener("notificationclick", (e) => {
  e.notification.close();
  e.waitUntil(openAt((e.notification.data as Carried | null)?.place ?? "#/shed"));
});
self.addEventListener("pushsubscriptionchange", (e) => {
  const change = e as PushSubscriptionChangeEvent;
  change.waitUntil(moved(change));
});
// A page says which script it runs. Once that is one of this build, and no other page is
// open that might still want the files of the build before, this worker takes over.
self.addEventListener("message", (e) => {
  const told = e.data as { readonly rung?: Rung | null } | null;
  if (told?.rung !== undefined) e.waitUntil(remember("rung", told.rung));
  const script = (e.data as { readonly runs?: unknown } | null)?.runs;
  if (typeof script !== "string" || !files.has(script)) return;
  e.waitUntil(
    self.clients.matchAll({ type: "window", includeUncontrolled: true }).then((open) => {
      if (open.length <= 1) return self.skipWaiting();
    }),
  );
});
