// One recorded run.

import { addNote, addPhoto, finer, remembered, sends, showAims, showEntries, showFacts } from "./parts.js";
import { Pictures } from "./pictures.js";
import { ask, faultList, fill, find, onUnits, reading, runPath } from "./talk.js";

const { oven, run } = document.documentElement.dataset;
const path = runPath(oven, run);
const pictures = new Pictures(find("#pictures"), finer(oven, run));

async function words() {
  const said = await ask(`${path}?${reading()}`);
  find("#title").textContent = said.name;
  find("#about").textContent = [said.run, said.oven, said.started, said.lasted && `lasted ${said.lasted}`, said.how_ended, said.clock && `clock ${said.clock}`].filter(Boolean).join(" · ");
  find("#sentence").textContent = said.headline;
  showAims(find("#aims"), said.aims);
  showFacts(find("#facts"), said.facts);
  showEntries(find("#entries"), [...said.entries].reverse(), oven, run);
  find("#sheet").textContent = said.sheet_text;
}

async function show() {
  try {
    await words();
    if (typeof uPlot !== "undefined") {
      await pictures.bring(`${path}/chart?${reading()}`);
      document.documentElement.dataset.drawn = "yes";
    }
  } catch (refusal) {
    find("#sentence").textContent = "This run cannot be shown.";
    fill(find(".faults"), faultList(refusal));
  }
}

for (const field of document.querySelectorAll(".who")) remembered(field);
const value = (id) => find(id).value.trim();
if (find("#add-note")) {
  sends(find("#add-note"), async () => {
    await addNote(oven, run, value("#note-text"), value("#note-who"));
    find("#note-text").value = "";
    await words();
  });
  sends(find("#add-photo"), async () => {
    await addPhoto(oven, run, find("#photo-file").files[0], value("#photo-text"), value("#note-who"));
    find("#add-photo").reset();
    await words();
  });
}
onUnits(show);
show();
