// One oven, live.

import { addNote, addPhoto, finer, remembered, sends, showAims, showEntries, showFacts, stateLine } from "./parts.js";
import { Pictures } from "./pictures.js";
import { ask, faultList, fill, find, follow, make, onUnits, ovenPath, reading, runPath, showUnits, sign, tell } from "./talk.js";

const page = document.documentElement.dataset;
const oven = page.oven;
const owner = page.role === "owner";
const said = { run: page.run };
const pictures = new Pictures(find("#pictures"), (window) => finer(oven, said.run)(window));
const hasCharts = typeof uPlot !== "undefined";
let drawnAt_s = -Infinity, drawnReal_ms = 0, drawing = false, entriesTimer = null;

fill(find(".state .shape"), sign(find(".state").dataset.severity));

// --- what is true ---

function show(changed) {
  const another = (said.state === "idle") !== (page.state === "idle") || said.run !== page.run;
  if (another && !find("dialog[open]")) { location.reload(); return; } // a run has begun or ended
  const text = (id, words) => { const node = find(id); if (node.textContent !== words) node.textContent = words; };
  if ("headline" in changed) text("#sentence", said.headline);
  if ("severity" in changed || "sign" in changed || "old" in changed || "name" in changed) {
    find(".state").replaceWith(stateLine(said));
    document.title = `${said.sign} · ${oven} · soaktally`;
  }
  if ("when" in changed) text("#when", said.when);
  if ("clock" in changed) text("#clock", said.clock ? ` · ${said.clock}` : "");
  if ("glance" in changed) for (const [name, words] of Object.entries(said.glance)) text(`#glance-${name}`, words);
  if ("facts" in changed) showFacts(find("#facts"), said.facts);
  if ("aims" in changed) showAims(find("#aims"), said.aims);
  if ("alerts" in changed) showAlerts();
  if ("units" in changed) showUnits(said.units);
  if ("alerts" in changed || "run" in changed) bringEntries();
  if ("time_s" in changed || "run" in changed) picture();
}

function showAlerts() {
  const section = find("#alerts");
  const alerts = said.alerts.filter((alert) => alert.severity !== "news"); // news stand among what was written down
  const told = new Set();
  section.hidden = !alerts.length;
  fill(find(".cards", section), alerts.map((alert) => {
    const caution = told.has(alert.caution) ? "" : alert.caution; // two alerts, one caution
    told.add(caution);
    const button = owner && !alert.acknowledged
      ? make("button", { type: "button", on: { click: (event) => acknowledge(alert, event.target) } }, "Seen: no more reminders")
      : "";
    return make("li", { "data-severity": alert.severity }, sign(alert.severity), make("strong", {}, alert.words),
      make("span", {}, `${alert.since ? `since ${alert.since}` : ""}${alert.acknowledged ? ", seen" : ""}`),
      caution ? make("p", { class: "caution" }, caution) : "", button);
  }));
}

async function acknowledge(alert, button) {
  button.disabled = true;
  let who = "";
  try { who = localStorage.getItem("soaktally-who") || ""; } catch { /* nobody is remembered */ }
  try {
    await ask(`${ovenPath(oven)}/acknowledge`, { method: "POST", body: { kind: alert.kind, key: alert.key, who } });
    tell("Kept: no more reminders of this.");
  } catch (refusal) {
    button.disabled = false;
    button.before(...faultList(refusal));
  }
}

// --- pictures: everything now and then, the newest point at once ---

function picture() {
  if (said.state === "idle") return;
  if (!hasCharts) { refreshImage(); return; }
  const span = Math.max(said.time_s, 600);
  const due = said.time_s < drawnAt_s || said.time_s - drawnAt_s > Math.max(60, 0.01 * span);
  if (!document.hidden && due && Date.now() - drawnReal_ms > 4000) bringPicture();
  else if (said.point && !document.hidden && said.state !== "finished") pictures.append(said.time_s, said.point);
}

async function bringPicture() {
  if (drawing || !said.run || !hasCharts) return;
  drawing = true;
  drawnReal_ms = Date.now();
  const asked_s = said.time_s ?? 0;
  try {
    await pictures.bring(`${runPath(oven, said.run)}/chart?${reading()}`);
    drawnAt_s = asked_s;
    page.drawn = "yes";
  } catch { /* the next point asks again */ } finally {
    drawing = false;
  }
}

let imageReal_ms = Date.now();
function refreshImage() {
  const image = find(".picture img");
  if (!image || document.hidden || Date.now() - imageReal_ms < 30000) return;
  imageReal_ms = Date.now();
  image.src = `${runPath(oven, said.run)}/picture?${reading({ at: Math.round(said.time_s) })}`.replace(/&?at=\d+/, "") + `#${imageReal_ms}`;
}

function bringEntries(soon_ms = 300) {
  clearTimeout(entriesTimer);
  entriesTimer = setTimeout(async () => {
    if (!said.run) return;
    try {
      const run = await ask(`${runPath(oven, said.run)}?${reading()}`);
      const kept = run.entries.slice(-30).reverse();
      showEntries(find("#written .entries"), kept, oven, said.run);
      find("#nothing").hidden = kept.length > 0;
    } catch { /* asked again with the next change */ }
  }, soon_ms);
}

follow(oven, {
  whole(ovens) {
    if (!ovens.length) { // no longer watched: what became of the run stands in the records
      location.assign(page.run ? `/ovens/${encodeURIComponent(oven)}/runs/${encodeURIComponent(page.run)}` : "/");
      return;
    }
    const changed = ovens[0];
    if (changed.run !== said.run) drawnAt_s = -Infinity;
    Object.assign(said, changed);
    show(changed);
    page.live = "yes";
  },
  change(changed) {
    if ("run" in changed && changed.run !== said.run) { drawnAt_s = -Infinity; pictures.clear(); }
    Object.assign(said, changed);
    show(changed);
  },
  silent(ovens) {
    const notice = find("#silent");
    notice.hidden = !(oven in ovens);
    if (oven in ovens) notice.textContent = `The watch of this oven has said nothing for ${ovens[oven]} s. What stands here is old.`;
  },
});
onUnits(() => { drawnAt_s = -Infinity; drawnReal_ms = 0; bringPicture(); bringEntries(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden && hasCharts) bringPicture(); });

// --- acts ---

const acts = () => {

for (const field of document.querySelectorAll(".who")) remembered(field);
for (const button of document.querySelectorAll(".closes")) button.addEventListener("click", () => button.closest("dialog").close());
for (const button of document.querySelectorAll("[data-opens]")) {
  button.addEventListener("click", () => {
    const name = button.dataset.opens;
    const dialog = find(`#${name}`);
    fill(find(".faults", dialog));
    dialog.showModal();
    if (name === "what-if") whatIf();
  });
}
for (const button of document.querySelectorAll("#usual-marks button")) button.addEventListener("click", () => { find("#mark-text").value = button.textContent; });

const value = (id) => find(id).value.trim();

sends(find("#mark form"), async () => {
  const answer = await ask(`${runPath(oven, said.run)}/marks`, { method: "POST", body: { text: value("#mark-text"), author: value("#mark-who") } });
  find("#mark").close();
  find("#mark-text").value = "";
  tell(answer.text);
  bringEntries();
});
sends(find("#note form"), async () => {
  await addNote(oven, said.run, value("#note-text"), value("#note-who"));
  find("#note").close();
  find("#note-text").value = "";
  bringEntries();
});
sends(find("#photo form"), async () => {
  await addPhoto(oven, said.run, find("#photo-file").files[0], value("#photo-text"), value("#photo-who"));
  find("#photo").close();
  find("#photo form").reset();
  for (const field of document.querySelectorAll("#photo .who")) remembered(field);
  bringEntries();
});
sends(find("#stop form"), async () => {
  const answer = await ask(`${ovenPath(oven)}/stop`, { method: "POST", body: { run: said.run } });
  find("#stop").close();
  tell(`${answer.text}. The oven itself heats on.`);
});
};
if (find("#mark")) acts();

async function whatIf() {
  const opening = find("#what-if-opening"), table = find("#what-if-table");
  opening.textContent = "Working it out …";
  fill(table);
  try {
    const answer = await ask(`${ovenPath(oven)}/what-if?${reading()}`);
    opening.textContent = answer.opening;
    fill(table, make("thead", {}, make("tr", {}, answer.head.map((words) => make("th", { scope: "col" }, words)))),
      make("tbody", {}, answer.rows.map(([label, ...cells]) => make("tr", {}, make("th", { scope: "row" }, label), cells.map((cell, number) => make("td", { data: { head: answer.head[number + 1] } }, cell))))));
  } catch (refusal) {
    opening.textContent = "";
    fill(find("#what-if .faults"), faultList(refusal));
  }
}
