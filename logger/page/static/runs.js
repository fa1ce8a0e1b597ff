// The list of runs; two of them can be picked to be laid over each other.

import { ask, faultList, fill, find, make, onUnits, reading, showUnits } from "./talk.js";

const picked = [];

async function show() {
  try {
    const { runs } = await ask(`/api/runs?${reading()}`);
    if (runs.length) showUnits(runs[0].units);
    find("#how-many").textContent = runs.length === 0 ? "Nothing recorded yet." : `${runs.length} recorded, the newest first. Tick two to lay them over each other.`;
    fill(find("#runs"), runs.map((run) => {
      const name = `${run.oven}\n${run.run}`;
      const box = make("input", { type: "checkbox", checked: picked.includes(name), on: { change: (event) => pick(name, event.target) } });
      const minor = [run.started, run.lasted && `lasted ${run.lasted}`, run.hottest && `highest reading ${run.hottest}`, run.clock && `clock ${run.clock}`].filter(Boolean).join(" · ");
      return make("li", {}, make("a", { class: "whole", href: `/ovens/${encodeURIComponent(run.oven)}/runs/${encodeURIComponent(run.run)}` },
        make("strong", {}, run.name), make("p", {}, `${run.run} · ${run.oven}`), make("p", { class: "minor" }, minor), make("p", { class: "minor" }, run.how_ended)),
      make("label", { class: "pick" }, box, `Lay over another: ${run.run}`));
    }));
  } catch (refusal) {
    fill(find("#how-many"), faultList(refusal));
  }
}

function pick(name, box) {
  const at = picked.indexOf(name);
  if (at >= 0) picked.splice(at, 1);
  else picked.push(name);
  while (picked.length > 2) picked.shift();
  const names = [...document.querySelectorAll("#runs input")];
  if (box.checked && names.filter((one) => one.checked).length > 2) show();
  const link = find("#overlay");
  link.hidden = picked.length !== 2;
  const query = new URLSearchParams();
  for (const one of picked) { const [oven, run] = one.split("\n"); query.append("oven", oven); query.append("run", run); }
  link.href = `/overlay?${query}`;
}

onUnits(show);
show();
