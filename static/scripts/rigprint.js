// The list for the bench: prints, and leads back to where it came from.

import { element } from "./page.js";

const print = element("print");
print.hidden = false;
print.addEventListener("click", () => window.print());
const back = element("back-to-rig");
if (back instanceof HTMLAnchorElement) back.href = `/rig${location.search}`;
