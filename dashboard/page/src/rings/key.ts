/** Keys and addresses of a subscription. */

/** The prefix of a browser's way. */
export const pushPrefix = "push/";

/** The key as bytes: some browsers take it in no other form. */
export function bytesOf(base64url: string): Uint8Array<ArrayBuffer> {
  const text = atob(base64url.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(text, (c) => c.charCodeAt(0));
}

export const sameKey = (a: ArrayBuffer | null | undefined, b: Uint8Array): boolean => {
  const bytes = new Uint8Array(a ?? new ArrayBuffer(0));
  return bytes.length === b.length && bytes.every((x, i) => x === b[i]);
};

/**
 * The way that the daemon makes of a subscription: 80 bits of the SHA-256 of its address in
 * base32 (RFC 4648 §6), in small letters. So a page knows which of the ways is its own
 * browser, without keeping anything that could go astray.
 */
export async function wayOf(endpoint: string): Promise<string> {
  const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", new TextEncoder().encode(endpoint))).slice(0, 10);
  const bits = [...sum].map((b) => b.toString(2).padStart(8, "0")).join("");
  return pushPrefix + (bits.match(/.{5}/g) ?? []).map((five) => "abcdefghijklmnopqrstuvwxyz234567"[parseInt(five, 2)]).join("");
}
