// Start a run: a form that becomes a run sheet, or the sheet's own words; both are checked as the file would be.

import { sends } from "./parts.js";
import { ask, fill, find, make, onUnits, ovenPath, reading, runPath, tell } from "./talk.js";

const oven = document.documentElement.dataset.oven;
const form = find("#start");
const GROUPS = [["The run", ["name"]], ["The piece", ["shape", "thickness", "diameter", "carbon", "manganese", "silicon", "iron_lot"]],
  ["Pack and canister", ["recipe", "pack_lot", "sensor", "canister_shape", "outer", "wall", "pack_kind"]],
  ["What it should reach", ["depth", "at_carbon", "soak", "hardness"]], ["Where there are several thermocouples", ["channel"]]];
let fields = [], units = {}, latest = null, timer = null;
let tried = false; // before that, only what was typed into is judged
const typed = new Set();

const chosen = (name) => form.querySelector(`input[name=${name}]:checked`).value;
const filled = () => ({ purpose: chosen("purpose"), ...Object.fromEntries(fields.map((one) => [one.name, find(`#field-${one.name}`).value])) });

function build(asked) {
  const before = fields.length ? filled() : {};
  ({ fields, units } = asked);
  fill(find("#fields"), GROUPS.map(([title, names]) => make("fieldset", {}, make("legend", {}, title), make("div", { class: "fields" }, names.map((name) => {
    const one = fields.find((each) => each.name === name);
    const id = `field-${name}`;
    const unit = one.kind === "length" ? `, ${units.length}` : "";
    const describe = { id, "aria-describedby": `${id}-fault`, autocomplete: "off" };
    const input = one.choices.length
      ? make("select", describe, one.choices.map((choice) => make("option", { value: choice }, choice)))
      : make("input", { ...describe, maxlength: 500, placeholder: one.hint, inputmode: one.kind === "text" ? null : "decimal" });
    if (before[name]) input.value = before[name];
    return make("div", { id: `${id}-row` }, make("label", { for: id }, `${one.label}${unit}`), input, make("div", { id: `${id}-fault` }));
  })))));
  hideOthers();
}

function hideOthers() {
  const shown = new Set(["", chosen("purpose"), find("#field-shape")?.value]);
  for (const one of fields) find(`#field-${one.name}-row`).hidden = !shown.has(one.shown_for);
}

async function check() {
  const words = chosen("way") === "words";
  const query = reading();
  const answer = words
    ? await ask("/api/sheets/check", { method: "POST", body: { sheet_text: find("#words").value } })
    : await ask(`/api/sheets/form?${query}`, { method: "POST", body: { filled: filled() } });
  latest = answer;
  return answer;
}

function place(answer) {
  const said = (fault) => make("p", { class: "fault" }, `found ${fault.found}, expected ${fault.expected}`);
  const whole = (fault) => make("p", { class: "fault" }, `${fault.where}: found ${fault.found}, expected ${fault.expected}`);
  if (chosen("way") === "words") { fill(find("#words-faults"), answer.faults.map(whole)); return answer.faults; }
  find("#made").textContent = answer.sheet_text;
  const homeless = [];
  for (const one of fields) {
    const mine = answer.faults.filter((fault) => fault.field === one.name && (tried || typed.has(one.name)));
    fill(find(`#field-${one.name}-fault`), mine.map(said));
    if (mine.length) find(`#field-${one.name}`).setAttribute("aria-invalid", "true");
    else find(`#field-${one.name}`).removeAttribute("aria-invalid");
  }
  for (const fault of answer.faults) if (!fields.some((one) => one.name === fault.field && !find(`#field-${one.name}-row`).hidden)) homeless.push(fault);
  fill(find("#start > .faults"), tried ? homeless.map(whole) : []);
  return answer.faults;
}

function soon() {
  hideOthers();
  clearTimeout(timer);
  timer = setTimeout(async () => { try { place(await check()); } catch { /* told when it is sent */ } }, 500);
}

async function earlier() {
  const { runs } = await ask(`/api/runs?${reading()}`);
  const known = new Set();
  for (const run of runs) {
    if (known.size > 30) break;
    known.add(run.run);
    find("#earlier").append(make("option", { value: `${run.oven}\n${run.run}` }, `${run.name}, ${run.run}`));
  }
}

find("#earlier")?.addEventListener("change", async (event) => {
  if (!event.target.value) return;
  const [of, run] = event.target.value.split("\n");
  const said = await ask(`${runPath(of, run)}?${reading()}`).catch((refusal) => { tell(refusal.message); return null; });
  if (!said) return;
  form.querySelector("input[name=way][value=words]").checked = true;
  find("#words").value = said.sheet_text;
  way();
});

function way() {
  const words = chosen("way") === "words";
  if (words && !find("#words").value && latest) find("#words").value = latest.sheet_text;
  find("#form-way").hidden = words;
  find("#words-way").hidden = !words;
  soon();
}

if (form) {
  for (const box of form.querySelectorAll("input[name=way]")) box.addEventListener("change", way);
  form.addEventListener("input", soon);
  form.addEventListener("change", (event) => { typed.add(event.target.id.replace("field-", "")); soon(); });
  sends(form, async () => {
    tried = true;
    const answer = await check();
    if (place(answer).length) {
      form.querySelector("[aria-invalid=true], #words-faults .fault")?.scrollIntoView({ block: "center" });
      form.querySelector("[aria-invalid=true]")?.focus();
      return;
    }
    const name = (find("#field-name")?.value || "").trim().slice(0, 80) || "sheet";
    const asked = await ask(`${ovenPath(oven)}/start`, { method: "POST", body: { sheet_text: answer.sheet_text, sheet_name: name } });
    tell(asked.text);
    setTimeout(() => location.assign(`/ovens/${encodeURIComponent(oven)}`), 1500);
  });
  const bring = async () => { build(await ask(`/api/sheets/form?${reading()}`)); soon(); };
  onUnits(bring);
  bring().then(() => { document.documentElement.dataset.ready = "yes"; });
  earlier().catch(() => {});
}
