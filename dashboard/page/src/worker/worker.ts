/**
 * Lets the page open where the shed cannot be reached. It keeps the files of one build,
 * each as a whole or not at all, and answers for those alone: what is live, the calls,
 * the rules and the figures of the daemon never pass through here.
 *
 * The page itself is asked of the daemon first, so that a new daemon's page is taken
 * the next time it is opened. Everything else has the hash of its content in its name:
 * whichever page is open, old or new, finds its own files and no other's.
 */
import { kindOf, ours, type Built } from "./kind.ts";

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
// A page says which script it runs. Once that is one of this build, and no other page is
// open that might still want the files of the build before, this worker takes over.
self.addEventListener("message", (e) => {
  const script = (e.data as { readonly runs?: unknown } | null)?.runs;
  if (typeof script !== "string" || !files.has(script)) return;
  e.waitUntil(
    self.clients.matchAll({ type: "window", includeUncontrolled: true }).then((open) => {
      if (open.length <= 1) return self.skipWaiting();
    }),
  );
});
