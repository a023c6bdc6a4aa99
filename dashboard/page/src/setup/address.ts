/** Addresses as the configuration has them. */

/** "127.0.0.1:8080" as host and port; the host is empty where it names none, which is every address. */
export function hostPort(listen: string): { readonly host: string; readonly port: string } {
  const at = listen.lastIndexOf(":");
  return at < 0 ? { host: listen, port: "" } : { host: listen.slice(0, at).replace(/^\[|\]$/g, ""), port: listen.slice(at + 1) };
}

/** Whether an address is reached from this machine alone. */
export const isLoopback = (host: string): boolean => host === "localhost" || host === "::1" || /^127(\.\d+){3}$/.test(host);
