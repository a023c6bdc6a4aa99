/** What is used of it here; the library has no types of its own. */
declare module "subset-font" {
  export default function subset(font: Uint8Array, text: string, options: { targetFormat: "woff2"; keepFeatures: readonly string[] }): Promise<Uint8Array>;
}
