import { render } from "preact";
import "./style/letters.css";
import "./style/tokens.css";
import "./style/page.css";
import { Page } from "./frame/Page.tsx";
import { keepPlace } from "./frame/place.ts";
import { keep } from "./link/keep.ts";
import { keepOwn } from "./state/own.ts";

const root = document.getElementById("page");
if (!root) throw new Error("the page has no element with the id \u201cpage\u201d; build it again");
keepOwn(document.documentElement);
keepPlace();
// The link is dialled while the page is first drawn, each in a task of its own.
keep();
setTimeout(() => render(<Page />, root));
// What is for another time waits until this one is drawn.
setTimeout(() => {
  import("./after.ts").then(
    (m) => m.after(import.meta.url),
    (err: unknown) => console.warn("the page is not kept for opening without a network, since the shed did not answer:", err),
  );
}, navigator.onLine ? 2_000 : 0);
