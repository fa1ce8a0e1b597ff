// Two runs over each other: temperatures, and case depths where both have them.

import { Chart, elapsedWords, stroke, timeAxis } from "./chart.js";
import { joined } from "./pictures.js";
import { ask, faultList, fill, find, make, onUnits, reading, runPath } from "./talk.js";

const query = new URLSearchParams(location.search);
const runs = query.getAll("run").slice(0, 2).map((run, index) => ({ run, oven: query.getAll("oven")[index] || "" }));
const LOOKS = [{ colour: "steel", ...stroke("steel") }, { colour: "oven", width: 3, dash: [9, 5] }];
let charts = [];

const steel = (chart) => chart.temperature.traces.find((one) => one.role === "steel") || chart.temperature.traces[0];

function draw(found) {
  for (const chart of charts) chart.remove();
  charts = [];
  const { temperature, length } = found[0].chart.units;
  const one = (title, unit, lines, say, limits) => {
    const tables = lines.map(({ line, zero_s }) => [line.time_s.map((time_s) => time_s - zero_s), line.value]);
    const ends = tables.flatMap(([xs]) => xs.length ? [xs[0], xs[xs.length - 1]] : []);
    const chart = new Chart(find("#pictures"), {
      title, unit, about: `${title} of two runs, ${unit}`, height: 320,
      series: lines.map(({ label }, index) => ({ label, ...LOOKS[index] })), axis: timeAxis(false), sayX: elapsedWords, say, limits,
    });
    chart.set(joined(tables), [Math.min(...ends), Math.max(...ends)]);
    charts.push(chart);
  };
  one("Steel", `°${temperature}`, found.map((each) => ({ line: steel(each.chart), zero_s: each.align_s, label: each.label })),
    (value) => `${Math.round(value)} ${temperature}`, (low, high) => low == null ? [0, 1] : [low - 20, high + 0.08 * (high - low) + 10]);
  if (found.every((each) => each.chart.depth)) {
    one(`Case depth ${found[0].chart.depth.definition}`, length, found.map((each) => ({ line: each.chart.depth, zero_s: each.align_s, label: each.label })),
      (value) => `${value.toFixed(length === "mm" ? 2 : 3)} ${length}`, (low, high) => [0, Math.max(high || 0, 0.01) * 1.12]);
  }
  document.documentElement.dataset.drawn = "yes";
}

const align = () => find("input[name=align]:checked").value;

async function show() {
  fill(find(".faults"));
  try {
    const asked = new URLSearchParams(reading({ align: align() }));
    for (const { oven, run } of runs) { asked.append("oven", oven); asked.append("run", run); }
    const beside = await ask(`/api/comparison?${asked}`);
    const found = [];
    for (const [index, { oven, run }] of runs.entries()) {
      const { letter, name, align_s } = beside.runs[index];
      found.push({ chart: await ask(`${runPath(oven, run)}/chart?${reading()}`), align_s, label: `${letter}: ${name}, ${run}` });
    }
    fill(find("#sentence"), beside.runs.map((one) => make("p", {}, make("strong", {}, `${one.letter} `), `${one.name}, ${one.run}. ${one.headline}`)));
    fill(find("#numbers"), make("thead", {}, make("tr", {}, beside.head.map((words) => words ? make("th", { scope: "col" }, words) : make("td")))),
      make("tbody", {}, beside.rows.map(([label, ...cells]) => make("tr", {}, make("th", { scope: "row" }, label), cells.map((cell, number) => make("td", { data: { head: beside.head[number + 1] } }, cell))))));
    if (typeof uPlot !== "undefined") draw(found);
  } catch (refusal) {
    find("#sentence").textContent = "These runs cannot be laid over each other so.";
    fill(find(".faults"), faultList(refusal));
  }
}

for (const box of document.querySelectorAll("input[name=align]")) box.addEventListener("change", show);
onUnits(show);
if (runs.length === 2) show();
else find("#sentence").textContent = "Tick two runs in the list first.";
