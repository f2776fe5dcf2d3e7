// The first page: what duty is doing, and the last part. It only looks; everything is said in words, too.
"use strict";

const VERDICTS = ["conforms", "rejected", "undecided", "unread"];
const EACH_MS = 1000; // a person reads no faster, however fast parts come
const COUNTS_MS = 10000;

const at = (id) => document.getElementById(id);
let shown = null; // the newest record that was told, and whether its pictures are awaited
let drawn = 0;
let busy = false;
let heard = 0;
let source = null;

function put(id, text) {
  const place = at(id);
  if (place.textContent !== text) place.textContent = text;
}

function made(name, className, text) {
  const element = document.createElement(name);
  if (className) element.className = className;
  if (text !== undefined) element.textContent = text;
  return element;
}

function mark(verdict) {
  const known = VERDICTS.includes(verdict) ? verdict : "unread";
  const word = made("span", `v ${known}`);
  const shape = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  shape.setAttribute("class", known);
  shape.setAttribute("aria-hidden", "true");
  const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
  use.setAttribute("href", `#mark-${known}`);
  shape.append(use);
  word.append(shape, verdict);
  return word;
}

// 41 207, with a thin space from five digits on.
function grouped(digits) {
  return digits.length > 4 ? digits.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f") : digits;
}

function clock(text) {
  const when = new Date(text);
  if (!text || Number.isNaN(when.getTime())) return "not told";
  return when.toLocaleTimeString("en-GB") + "." + String(when.getMilliseconds()).padStart(3, "0");
}

// With its date where it is not of today: an old verdict is no news.
function dated(text) {
  const when = new Date(text);
  const isToday = when.toDateString() === new Date().toDateString();
  return isToday || Number.isNaN(when.getTime()) ? clock(text) : `${when.toLocaleDateString("en-CA")} ${clock(text).slice(0, 8)}`;
}

async function asked(path) {
  const answer = await fetch(path, { credentials: "same-origin" });
  if (answer.status === 401) {
    logIn();
    throw new Error("nobody is logged in");
  }
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer.json();
}

function logIn() {
  if (source) source.close();
  source = null;
  at("duty").hidden = true;
  at("login").hidden = false;
}

at("login").addEventListener("submit", async (event) => {
  event.preventDefault();
  const said = Object.fromEntries(new FormData(event.target));
  const headers = { "Content-Type": "application/json" };
  const answer = await fetch("/api/session", { method: "POST", headers, body: JSON.stringify(said) });
  if (answer.ok) {
    event.target.reset();
    at("login").hidden = true;
    at("duty").hidden = false;
    put("login-fault", "");
    begin();
  } else {
    const told = (await answer.json()).error;
    put("login-fault", `${told.says}; ${told.do}.`);
  }
});

function word() {
  heard = Date.now();
  at("lost").hidden = true;
  put("live", "live");
}

function drawState(state) {
  put("state", `, ${state.state}${state.state === "on duty" && state.since_utc ? ` since ${clock(state.since_utc).slice(0, 8)}` : ""}${state.says ? `: ${state.says}` : ""}`);
  document.title = `${state.state}, tiepoint`;
  todo.state = state.next ? [{ says: `${state.fault}: ${state.says}`, next: state.next }] : [];
  drawTodo();
  const links = Object.entries(state.links).map(([name, link]) => {
    const line = made("li");
    line.append(made("b", "", name), made("span", "", link));
    return line;
  });
  at("links").replaceChildren(...(links.length ? links : [made("li", "", "none is told of")]));
}

// What keeps the station from passing parts, and what its watch has found: each with what to do about it.
const todo = { state: [], alarms: [] };

function drawTodo() {
  const all = [...todo.state, ...todo.alarms];
  at("todo").hidden = !all.length;
  at("todo").replaceChildren(...all.map((one) => {
    const line = made("p");
    line.append(made("b", "", one.says), one.next ? ` What to do: ${one.next}.` : "");
    return line;
  }));
}

async function alarms() {
  const told = await asked("/api/alarms");
  todo.alarms = told.alarms.map((one) => ({ says: `Alarm since ${dated(one.since_utc).replace(/\.\d+$/, "")}: ${one.says}`, next: one.next }));
  drawTodo();
}

function drawHead(record) {
  at("verdict").replaceChildren(mark(record.verdict));
  put("part", record.part_id ?? "without an id");
  put("taken", dated(record.taken_utc ?? record.written_utc));
  put("variant", record.variant ?? "none");
  put("record", grouped(String(record.seq)));
}

function row(reading, written) {
  const line = made("tr");
  const name = made("th", "", `${reading.name} ${reading.quantity}`);
  name.scope = "row";
  if (written.limits) name.append(made("small", "", written.limits));
  const verdict = made("td");
  if (reading.verdict) verdict.append(mark(reading.verdict));
  line.append(name, made("td", "n", written.value), made("td", "u", written.pm), verdict);
  return line;
}

function drawWhole(whole, short) {
  const { record, readings, files } = whole;
  put("read-of", `record ${grouped(String(whole.seq))}`);
  put("why", short.why);
  at("rows").replaceChildren(...record.readings.map((one, k) => row(one, readings[k])));
  const first = files.find((file) => file.preview);
  const picture = at("picture");
  picture.hidden = !first;
  at("no-picture").hidden = Boolean(first);
  if (first) {
    picture.src = first.preview;
    picture.alt = `Last part: ${short.part_id ?? short.shot}, ${record.verdict}`;
    put("caption", `${record.station}, judged as accepted ${record.recipe_sha.slice(0, 12)}; ${first.name}, kept as ${first.sha256.slice(0, 12)}`);
  } else {
    put("no-picture", "No picture of this part is kept, or not yet.");
    put("caption", `${record.station}, judged as accepted ${record.recipe_sha.slice(0, 12)}`);
  }
}

// At most once a second the newest part is fetched whole, whatever came in between.
async function draw() {
  if (busy || !shown || drawn === shown.stamp) return;
  busy = true;
  const { record, stamp } = shown;
  try {
    drawWhole(await asked(`/api/records/${record.seq}`), record);
    drawn = stamp;
  } catch (error) {
    put("live", error.message);
  }
  setTimeout(() => { busy = false; draw(); }, EACH_MS);
}

function came(record) {
  shown = { record, stamp: `${record.seq}` };
  drawHead(record);
  draw();
  if (record.verdict !== "conforms") drawLast(record);
}

function kept(entry) {
  if (shown && entry.body.record === shown.record.seq) {
    shown.stamp = `${shown.record.seq} kept`;
    draw();
  }
}

function drawLast(record) {
  const line = made("li");
  const link = made("a", "", record.part_id ?? `record ${record.seq}`);
  link.href = `/api/records/${record.seq}`;
  line.append(mark(record.verdict), link, made("span", "why", record.not_conforming[0] ?? record.status));
  at("last").prepend(line);
  while (at("last").children.length > 8) at("last").lastChild.remove();
}

async function count() {
  const midnight = new Date();
  midnight.setHours(0, 0, 0, 0);
  const { counts } = await asked(`/api/counts?since=${encodeURIComponent(midnight.toISOString())}`);
  const sums = Object.fromEntries(VERDICTS.map((verdict) => [verdict, 0]));
  for (const one of counts) sums[one.verdict] += one.count;
  const rows = VERDICTS.flatMap((verdict) => {
    const name = made("dt");
    name.append(mark(verdict));
    return [name, made("dd", "", grouped(String(sums[verdict])))];
  });
  at("counts").replaceChildren(...rows);
  const all = Object.values(sums).reduce((a, b) => a + b, 0);
  put("of-today", `${grouped(String(all))} ${all === 1 ? "part" : "parts"}`);
}

async function begin() {
  // The state does not wait for anything that takes longer.
  asked("/api/station").then((station) => put("station", `Station ${station.name}`)).catch(() => {});
  drawState(await asked("/api/state"));
  alarms().catch(() => {});
  // The stream begins behind the newest record, so that nothing is missed between the two answers.
  const [{ records }, { records: left }] = await Promise.all([
    asked("/api/records?count=1"),
    asked("/api/records?count=200"),
  ]);
  at("last").replaceChildren();
  for (const record of left.filter((one) => one.verdict !== "conforms").slice(0, 8).reverse()) drawLast(record);
  if (records.length) {
    shown = { record: records[0], stamp: `${records[0].seq}` };
    drawHead(records[0]);
    draw();
  }
  count();
  listen(records.length ? records[0].seq : 0);
}

function listen(after) {
  source = new EventSource(`/api/events?after=${after}`);
  source.addEventListener("open", word);
  const take = (kind, what) => source.addEventListener(kind, (event) => { word(); what(JSON.parse(event.data)); });
  take("state", drawState);
  take("record", came);
  take("archived", kept);
  take("duty", (entry) => { if (entry.body.event === "alarm") alarms().catch(() => {}); });
  take("reset", () => location.reload());
  source.addEventListener("error", () => {
    at("lost").hidden = false;
    put("lost", heard ? `The connection is lost; the last word came at ${clock(new Date(heard).toISOString()).slice(0, 8)}.` : "The station does not answer.");
    put("live", "not live");
    if (source && source.readyState === EventSource.CLOSED) setTimeout(() => begin().catch(() => {}), 5000);
  });
}

setInterval(() => { if (source) count().catch(() => {}); }, COUNTS_MS);
begin().catch((error) => put("live", error.message));
