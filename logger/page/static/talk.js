// What every screen shares: asking the API, units and zone, the sign for each severity, building the document.
// Text from anywhere goes in as text, never as markup.

export function make(name, attributes = {}, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "on") for (const [kind, act] of Object.entries(value)) node.addEventListener(kind, act);
    else if (key === "data") Object.assign(node.dataset, value);
    else node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

export function fill(node, ...children) {
  node.replaceChildren(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

export const find = (selector, within = document) => within.querySelector(selector);

// --- signs: a shape for each severity ---

const SVG = "http://www.w3.org/2000/svg";
const SHAPES = {
  well: ["M16 3a13 13 0 1 0 0 26a13 13 0 1 0 0-26z", "M9 16.5l5 5l9-10"],
  news: ["M16 3a13 13 0 1 0 0 26a13 13 0 1 0 0-26z", "M16 14v9M16 9v.5"],
  warning: ["M16 3L30 28H2z", "M16 12v8M16 24v.5"],
  danger: ["M16 1L31 16L16 31L1 16z", "M11 11l10 10M21 11l-10 10"],
  idle: ["M16 3a13 13 0 1 0 0 26a13 13 0 1 0 0-26z", "M12.5 11v10M19.5 11v10"],
  old: ["M16 3a13 13 0 1 0 0 26a13 13 0 1 0 0-26z", "M16 8v8l5 4"],
};

export function drawn(paths, box = "0 0 32 32") {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", box);
  svg.setAttribute("aria-hidden", "true");
  for (const attributes of paths) {
    const path = document.createElementNS(SVG, "path");
    for (const [key, value] of Object.entries(attributes)) path.setAttribute(key, value);
    svg.append(path);
  }
  return svg;
}

export function sign(severity, number = null) {
  const [outline, inside] = SHAPES[severity] || SHAPES.news;
  const svg = drawn([
    { d: outline, fill: number === null ? "none" : "currentColor", stroke: "currentColor", "stroke-width": 2.6, "stroke-linejoin": "round" },
    ...(number === null ? [{ d: inside, fill: "none", stroke: "currentColor", "stroke-width": 3, "stroke-linecap": "round", "stroke-linejoin": "round" }] : []),
  ]);
  if (number !== null) {
    const text = document.createElementNS(SVG, "text");
    const place = { x: 16, y: severity === "warning" ? 26 : 22, "text-anchor": "middle", "font-size": 16, "font-weight": 700, fill: "var(--sheet)" };
    for (const [key, value] of Object.entries(place)) text.setAttribute(key, value);
    text.textContent = number;
    svg.append(text);
  }
  return svg;
}

// --- units and zone: remembered in a cookie, so that the very next screen comes in them ---

export const zone = (() => {
  try { return Intl.DateTimeFormat().resolvedOptions().timeZone || ""; } catch { return ""; }
})();

function cookie(name) {
  const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
  return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
}

function remember(name, value) {
  document.cookie = `${name}=${encodeURIComponent(value)}; Path=/; Max-Age=31536000; SameSite=Strict`;
}

remember("soaktally-zone", zone);

export function units() {
  const [temperature = "", length = ""] = cookie("soaktally-units").split("-");
  return { temperature, length };
}

const listeners = new Set();
export function onUnits(act) { listeners.add(act); }

export function reading(more = {}) {
  const { temperature, length } = units();
  const query = new URLSearchParams();
  for (const [key, value] of Object.entries({ temperature, length, zone, ...more })) if (value !== "" && value != null) query.set(key, value);
  return query.toString();
}

// --- asking ---

export class Refusal extends Error {
  constructor(status, faults) {
    super(faults.map((one) => `${one.where}: found ${one.found}, expected ${one.expected}`).join("\n"));
    this.status = status;
    this.faults = faults;
  }
}

let formToken = null;

export async function session() {
  const answer = await (await fetch("/api/session", { credentials: "same-origin" })).json();
  formToken = answer.form_token;
  return answer;
}

export async function ask(path, { method = "GET", body = null, raw = null, again = true } = {}) {
  const headers = {};
  if (method !== "GET") {
    if (formToken === null) await session();
    if (formToken) headers["X-Form-Token"] = formToken;
  }
  if (body !== null) headers["Content-Type"] = "application/json";
  if (raw !== null) headers["Content-Type"] = raw.type || "application/octet-stream";
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: body !== null ? JSON.stringify(body) : raw, credentials: "same-origin" });
  } catch {
    throw new Refusal(0, [{ where: "connection", found: "no answer", expected: "the daemon running and the network up" }]);
  }
  if (answer.status === 204) return null;
  const kind = answer.headers.get("Content-Type") || "";
  const content = kind.startsWith("application/json") ? await answer.json() : await answer.text();
  if (answer.ok) return content;
  const faults = content.faults || [{ where: path, found: `status ${answer.status}`, expected: "an answer" }];
  if (answer.status === 403 && again && faults.some((one) => one.where === "form token")) {
    await session();
    return ask(path, { method, body, raw, again: false });
  }
  if (answer.status === 401 && location.pathname !== "/sign-in") location.assign("/sign-in");
  throw new Refusal(answer.status, faults);
}

export const ovenPath = (oven) => `/api/ovens/${encodeURIComponent(oven)}`;
export const runPath = (oven, run) => `${ovenPath(oven)}/runs/${encodeURIComponent(run)}`;

let clearing = null;
export function tell(words) {
  const toast = find("#toast");
  toast.textContent = words;
  toast.hidden = false;
  clearTimeout(clearing);
  clearing = setTimeout(() => { toast.hidden = true; }, 7000);
}

export function faultList(refusal) {
  const faults = refusal.faults || [{ where: "page", found: String(refusal), expected: "no mistake of ours" }];
  return faults.map((one) => make("p", { class: "fault" }, `${one.where}: found ${one.found}, expected ${one.expected}`));
}

// --- the head of every screen: units, light and dark, signing out ---

function setUnits(temperature, length) {
  remember("soaktally-units", `${temperature}-${length}`);
  showUnits();
  for (const act of listeners) act();
}

function shownUnits() {
  const kept = units();
  const page = document.documentElement.dataset;
  return { temperature: kept.temperature || page.temperature || "C", length: kept.length || page.length || "mm" };
}

// The buttons show what this screen is written in: the reader's own choice, else the units of what it tells of.
export function showUnits(written = null) {
  if (written) Object.assign(document.documentElement.dataset, written);
  const now = shownUnits();
  for (const [id, value, other] of [
    ["#units-temperature", `°${now.temperature}`, now.temperature === "C" ? "Fahrenheit" : "Celsius"],
    ["#units-length", now.length, now.length === "mm" ? "inches" : "millimetres"],
  ]) {
    const button = find(id);
    if (!button) continue;
    button.textContent = value;
    button.setAttribute("aria-label", `${value}: switch to ${other}`);
  }
}

find("#units-temperature")?.addEventListener("click", () => {
  const now = shownUnits();
  setUnits(now.temperature === "C" ? "F" : "C", now.length);
});
find("#units-length")?.addEventListener("click", () => {
  const now = shownUnits();
  setUnits(now.temperature, now.length === "mm" ? "in" : "mm");
});
export const themed = new Set();
find("#theme")?.addEventListener("click", () => {
  const page = document.documentElement;
  page.dataset.theme = page.dataset.theme === "dark" ? "light" : "dark";
  try { localStorage.setItem("soaktally-theme", page.dataset.theme); } catch { /* then it is forgotten */ }
  for (const act of themed) act();
});
find("#sign-out")?.addEventListener("click", async () => {
  await ask("/api/session", { method: "DELETE" });
  location.assign("/sign-in");
});
showUnits();

// --- the stream: everything once, then what changes; comes back by itself; says when it is old ---

const QUIET_S = 12;
const HIDDEN_MS = 20000; // a page nobody looks at lets go of its connection: a browser has only a few for one daemon

export function follow(oven, { whole, change, silent }) {
  let source = null;
  let heard = Date.now();
  let lostAt = null;
  let retry = null;
  let resting = null;

  function open() {
    clearTimeout(retry);
    clearTimeout(resting);
    source?.close();
    const here = source = new EventSource(`/api/events?${reading(oven ? { oven } : {})}`);
    const on = (kind, act) => here.addEventListener(kind, (event) => {
      if (here !== source) return;
      heard = Date.now();
      show();
      act(JSON.parse(event.data));
    });
    on("whole", (data) => {
      if (data.version && data.version !== document.documentElement.dataset.version && !find("dialog[open]")) location.reload();
      whole(data.ovens);
    });
    on("change", change);
    on("pulse", (data) => silent(data.silent));
    here.addEventListener("error", () => {
      show();
      if (here === source && here.readyState === EventSource.CLOSED) {
        clearTimeout(retry);
        retry = setTimeout(open, 3000);
        ask("/api/session").then((answer) => { if (!answer.signed_in) location.assign("/sign-in"); }).catch(() => {});
      }
    });
  }

  function show() {
    if (document.hidden) return;
    const quiet_s = (Date.now() - heard) / 1000;
    const lost = quiet_s > QUIET_S || (source && source.readyState !== EventSource.OPEN && quiet_s > 3);
    const notice = find("#lost");
    if (lost) {
      lostAt ??= new Date(heard);
      const at = lostAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false });
      const words = `No connection to the daemon since ${at}. What stands here is old. Trying again by itself.`;
      if (notice.textContent !== words) notice.textContent = words;
    } else lostAt = null;
    notice.hidden = !lost;
    document.body.classList.toggle("lost", lost);
  }

  setInterval(show, 1000);
  document.addEventListener("visibilitychange", () => {
    clearTimeout(resting);
    if (document.hidden) resting = setTimeout(() => source.close(), HIDDEN_MS);
    else if (Date.now() - heard > 6000 || source.readyState !== EventSource.OPEN) open();
  });
  addEventListener("online", open);
  addEventListener("pageshow", (event) => { if (event.persisted) open(); }); // come back to by the browser's own memory
  onUnits(open);
  open();
}
