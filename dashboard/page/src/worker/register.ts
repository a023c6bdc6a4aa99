/** Has the browser keep the page, where it may: over TLS, or on the machine itself. */
export function register(script: string): void {
  const workers = navigator.serviceWorker as ServiceWorkerContainer | undefined;
  if (!workers) return;
  // A message was pressed, and the worker that shows it does not answer for this page.
  workers.addEventListener("message", (e) => {
    const place = (e.data as { readonly place?: unknown } | null)?.place;
    if (typeof place === "string" && place.startsWith("#/")) location.hash = place;
  });
  const tell = (w: ServiceWorker | null): void => w?.postMessage({ runs: script });
  workers.register(new URL("worker.js", document.baseURI), { updateViaCache: "none" }).then(
    (r: ServiceWorkerRegistration | undefined) => {
      if (!r) return; // A browser that is told to keep nothing.
      tell(r.waiting);
      r.addEventListener("updatefound", () => {
        const coming = r.installing;
        coming?.addEventListener("statechange", () => {
          if (coming.state === "installed") tell(coming);
        });
      });
    },
    (err: unknown) => console.warn("the page is not kept for opening without a network:", err),
  );
}
