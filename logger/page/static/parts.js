// Pieces of several screens: targets, numbers, what was written down, the forms that add to it.

import { ask, faultList, fill, find, make, reading, runPath, sign, tell } from "./talk.js";

const SEVERITIES = { warning: "Look: ", danger: "Danger: ", news: "" };

export function showAims(section, aims) {
  section.hidden = !aims.length;
  fill(find(".aims", section), aims.map((aim) => {
    const bar = aim.share === null || aim.share === undefined ? "" : make("div", { class: "bar", role: "img", "aria-label": `${Math.round(100 * aim.share)} % of the way` }, make("i"));
    if (bar) bar.firstChild.style.width = `${100 * aim.share}%`;
    return make("li", {}, make("div", { class: "line" }, make("span", {}, aim.name), make("strong", {}, aim.value)), bar, make("p", { class: "outcome" }, aim.outcome));
  }));
}

export function showFacts(list, facts) {
  fill(list, facts.map(([label, value, note, severity]) => [
    make("dt", {}, label),
    make("dd", {}, severity ? make("span", { class: "sign" }, SEVERITIES[severity] || "") : "", make("strong", {}, value), note ? make("span", {}, note) : ""),
  ]));
}

export function showEntries(list, entries, oven, run) {
  fill(list, entries.map((entry) => {
    const by = entry.author ? ` (${entry.author})` : "";
    const kind = entry.kind === "alert" ? `${entry.severity}, ${entry.phase}` : entry.kind;
    const line = make("li", { data: { kind: entry.kind } }, make("time", {}, entry.at), make("span", { class: "kind" }, kind), `${entry.text}${by}`);
    if (entry.kind === "photo") line.append(make("img", { src: `${runPath(oven, run)}/photos/${encodeURIComponent(entry.file)}`, alt: entry.text || "Photo of this run", loading: "lazy" }));
    return line;
  }));
}

export function remembered(field) {
  let kept = "";
  try { kept = localStorage.getItem("soaktally-who") || ""; } catch { /* nobody is remembered */ }
  field.value = kept;
  field.addEventListener("change", () => { try { localStorage.setItem("soaktally-who", field.value.trim()); } catch { /* nor kept */ } });
}

// Sends a form; faults stand in it until they are mended.
export function sends(form, act) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const faults = find(".faults", form) || find(".faults");
    const button = find("[type=submit]", form);
    fill(faults);
    button.disabled = true;
    try {
      await act();
    } catch (refusal) {
      fill(faults, faultList(refusal));
    } finally {
      button.disabled = false;
    }
  });
}

export async function addNote(oven, run, text, author) {
  await ask(`${runPath(oven, run)}/notes`, { method: "POST", body: { text, author } });
  tell("The note is kept.");
}

export async function addPhoto(oven, run, file, caption, author) {
  await ask(`${runPath(oven, run)}/photos?${new URLSearchParams({ caption, author })}`, { method: "POST", raw: file });
  tell("The photo is kept beside the record.");
}

export function stateLine(said) {
  const severity = said.old && said.severity !== "danger" ? "old" : said.severity;
  return make("p", { class: "state", "data-severity": said.severity }, make("span", { class: "shape" }, sign(severity)), make("span", { class: "word" }, said.sign), make("span", { class: "run" }, said.name));
}

export const finer = (oven, run) => (window) => ask(`${runPath(oven, run)}/temperature?${reading({ from_s: window[0].toFixed(1), to_s: window[1].toFixed(1), buckets: 400 })}`);
