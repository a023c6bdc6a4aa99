/**
 * Draws the icons of the installed page into `public`, from the lamp's own drawing:
 *
 *     npm run icons
 *
 * The drawing fills its square to the edges. A maskable icon may be cut to a circle of
 * four fifths of its width (W3C App Manifest): there it is drawn smaller, on its paper.
 */
import { readFile, writeFile } from "node:fs/promises";
import { launch } from "../test/browser.ts";

const lamp = await readFile(new URL("../public/lamp.svg", import.meta.url), "utf8");
const paper = /fill="(#[0-9A-F]{6})"/.exec(lamp)?.[1] ?? "";

const icons = [
  { name: "icon-192.png", px: 192, share: 1 },
  { name: "icon-512.png", px: 512, share: 1 },
  { name: "icon-maskable-192.png", px: 192, share: 0.56 },
  { name: "icon-maskable-512.png", px: 512, share: 0.56 },
];

const browser = await launch();
for (const { name, px, share } of icons) {
  const page = await browser.newPage({ viewport: { width: px, height: px } });
  const size = Math.round(px * share);
  await page.setContent(`<style>body{margin:0;display:grid;place-items:center;height:100vh;background:${paper}}svg{display:block;width:${size}px}</style>${lamp}`);
  await writeFile(new URL(`../public/${name}`, import.meta.url), await page.screenshot());
  await page.close();
}
await browser.close();
