/** This browser as a way out: whether it can be rung, and its subscription. */
import { subscribe, unsubscribe, type Way } from "../link/rings.ts";
import { ringsWords as w } from "../words/rings.ts";
import { bytesOf, pushPrefix, sameKey, wayOf } from "./key.ts";

/** The page is kept for opening without a network within seconds of being opened; longer, and it never is. */
const workerPatienceMs = 10_000;

/** Why this browser cannot be rung, in a sentence; empty where it may be tried. */
export function hindrance(pushKey: string): string {
  if (!isSecureContext) return w.here.insecure(location.origin);
  if (!("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window)) return w.here.noPush;
  if (pushKey === "") return w.here.noKey;
  return Notification.permission === "denied" ? w.here.denied : "";
}

/** Why it is not rung, in a sentence that says what to do. */
export class NotRung extends Error {}

async function registration(): Promise<ServiceWorkerRegistration> {
  const late = new Promise<null>((done) => setTimeout(() => done(null), workerPatienceMs));
  const r = await Promise.race([navigator.serviceWorker.ready, late]);
  if (!r) throw new NotRung(w.here.noWorker);
  return r;
}

/** The way that this browser is; empty where it has no subscription. */
export async function ownWay(): Promise<string> {
  if (!isSecureContext || !("serviceWorker" in navigator)) return "";
  const r = await navigator.serviceWorker.getRegistration();
  const s = await r?.pushManager?.getSubscription();
  return s ? wayOf(s.endpoint) : "";
}

/**
 * Asks the person, then the push service, then tells the daemon. It is called from a
 * press: a browser asks nobody otherwise. What goes wrong is thrown as [NotRung] or as the
 * call's own refusal.
 */
export async function ringHere(person: string, name: string, pushKey: string, telling: () => void): Promise<Way> {
  const may = await Notification.requestPermission();
  if (may !== "granted") throw new NotRung(may === "denied" ? w.here.denied : w.here.dismissed);
  const key = bytesOf(pushKey);
  const r = await registration();
  let s = await r.pushManager.getSubscription();
  if (s && !sameKey(s.options.applicationServerKey, key)) {
    // Of a daemon that was set up anew: no other key than the one that it was made for fits.
    await s.unsubscribe();
    s = null;
  }
  try {
    s ??= await r.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  } catch (err) {
    throw new NotRung(w.here.noService(err instanceof Error ? err.message.replace(/\.$/, "") : String(err)));
  }
  telling();
  const { endpoint = "", keys = {} } = s.toJSON();
  const way = await subscribe(person, { name, endpoint, p256dh: keys["p256dh"] ?? "", auth: keys["auth"] ?? "" });
  // So that it can tell the daemon by itself when the push service moves it.
  r.active?.postMessage({ rung: { person, name, id: way.id.slice(pushPrefix.length) } });
  return way;
}

/** Has a browser rung no longer; this one gives its subscription up as well. */
export async function ringNoLonger(person: string, way: string): Promise<void> {
  const here = (await ownWay()) === way;
  await unsubscribe(person, way.slice(pushPrefix.length));
  if (!here) return;
  const r = await navigator.serviceWorker.getRegistration();
  r?.active?.postMessage({ rung: null });
  await (await r?.pushManager.getSubscription())?.unsubscribe();
}
