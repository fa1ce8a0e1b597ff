// Every oven at a glance.

import { stateLine } from "./parts.js";
import { fill, find, follow, make, showUnits } from "./talk.js";

const said = new Map();

function show() {
  for (const one of said.values()) { showUnits(one.units); break; }
  fill(find("#ovens"), [...said.values()].map((one) => make("li", {}, make("a", { class: "whole", href: `/ovens/${encodeURIComponent(one.oven)}` },
    make("strong", {}, one.oven), stateLine(one), make("p", { class: "sentence" }, one.headline)))));
  for (const line of document.querySelectorAll("#waiting li")) line.hidden = said.has(line.dataset.oven);
}

follow(null, {
  whole(ovens) { said.clear(); for (const one of ovens) said.set(one.oven, one); show(); },
  change(changed) { said.set(changed.oven, { ...said.get(changed.oven), ...changed }); show(); },
  silent(ovens) { for (const [oven, one] of said) if (oven in ovens && one.sign !== "Silent") { said.set(oven, { ...one, old: true, severity: "warning", sign: "Silent" }); show(); } },
});
