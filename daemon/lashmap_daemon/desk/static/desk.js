// The reviewer's desk: a list of tests, one test, two compared. What is shown was worded and drawn by the program;
// nothing is measured or judged here.
import { byId, offer, reasonOf, request, t } from "/reader.js";
import { TraceView } from "/trace.js";

const SVG = "http://www.w3.org/2000/svg";
const ROWS = 300; // of a list at once
const REST_MS = 300; // a pointer that rests so long on a test is likely to choose it
const MARKS = { conforming: "✓", nonconforming: "✕", "not proven": "?" };

// An element with attributes and children; texts stay texts.
function el(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
  }
  made.append(...children.flat().filter((one) => one !== null && one !== undefined && one !== false));
  return made;
}

// Markup that the program made, its texts escaped there; the page's policy runs no script in it.
function markup(html) {
  const parsed = new DOMParser().parseFromString(html, "text/html");
  for (const wide of parsed.querySelectorAll(".scroll")) wide.tabIndex = 0; // keys scroll it too
  for (const empty of parsed.querySelectorAll("thead th:empty")) empty.replaceWith(parsed.createElement("td"));
  return [...parsed.body.childNodes].map((one) => document.importNode(one, true));
}

// Asking ----------------------------------------------------------------------------------------------------------
let about = { may: false, writes: false, languages: {}, downloads: [] };

class Refusal extends Error {}

async function ask(path, wanted = {}, more = {}) {
  let answer;
  try {
    const query = new URLSearchParams(wanted).toString();
    answer = await request(query ? `${path}?${query}` : path, more);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refusal(t("desk.not_reached"));
  }
  if (answer.ok) return answer;
  throw new Refusal(await reasonOf(answer));
}

function trouble(text) {
  byId("trouble").textContent = text;
  byId("trouble").hidden = !text;
}

const tell = (text) => { byId("told").textContent = text; };

// Where the reader is ---------------------------------------------------------------------------------------------
let listing = null; // the list as it was loaded last
let traceView = null;
let visit = 0;
let listVisit = 0; // that of the list, while it is shown
const picked = new Map(); // "book test" -> row
const filters = { text: "", book: "", stand: "", box: "", verdict: "", from: "", to: "" };

const addressOf = (query) => `/?${new URLSearchParams(query)}`;
const idOf = (row) => `${row.book} ${row.key}`;

function go(address, { replace = false } = {}) {
  history[replace ? "replaceState" : "pushState"](null, "", address);
  return arrive();
}

function link(address, attributes, ...children) {
  return el("a", { href: address, ...attributes, onclick: (event) => {
    if (event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    go(address);
  } }, ...children);
}

async function arrive({ focus = true } = {}) {
  const here = ++visit;
  const asked = new URLSearchParams(location.search);
  traceView?.close();
  traceView = null;
  trouble("");
  tell("");
  document.body.dataset.view = asked.has("test") ? "test" : asked.has("test1") ? "compare" : "list";
  try {
    if (asked.has("test")) await showTest(asked, here);
    else if (asked.has("test1")) await showComparison(asked, here);
    else await showList(here);
  } catch (error) {
    if (here !== visit) return;
    byId("content").replaceChildren(el("p", { class: "empty" }, link("/", {}, t("desk.back"))));
    trouble(error instanceof Refusal ? error.message : `${error.name}: ${error.message}`);
    if (!(error instanceof Refusal)) throw error;
  }
  if (here === visit && focus) byId("content").focus({ preventScroll: true });
}

function where(...parts) {
  byId("where").replaceChildren(...parts.flatMap((one) => [el("span", { class: "slash", "aria-hidden": "true" }, "›"), one]));
  document.title = ["lashmap desk", ...parts.map((one) => one.textContent ?? one)].join(" › ");
}

// The list --------------------------------------------------------------------------------------------------------
async function showList(here) {
  listVisit = here;
  where();
  if (listing === null) byId("content").replaceChildren(el("p", { class: "empty" }, t("desk.reading")));
  listing = await (await ask("/list")).json();
  if (here !== visit) return;
  const several = listing.books.length > 1;
  const body = el("tbody");
  const count = el("p", { id: "count", role: "status" });
  const more = el("button", { type: "button", id: "more", hidden: true });
  const compare = el("button", { type: "button", id: "compare", disabled: true, onclick: () => {
    const [one, other] = [...picked.values()].sort((a, b) => (a.begun < b.begun ? -1 : 1));
    go(addressOf({ book1: one.book, test1: one.key, book2: other.book, test2: other.key }));
  } }, t("desk.compare"));
  let limit = ROWS;

  const chosen = () => {
    for (const id of picked.keys()) if (!listing.tests.some((row) => idOf(row) === id)) picked.delete(id);
    compare.disabled = picked.size !== 2;
    compare.textContent = picked.size ? t("desk.compare_picked", { n: picked.size }) : t("desk.compare");
    for (const box of body.querySelectorAll("input")) box.disabled = picked.size >= 2 && !box.checked;
  };
  const fill = () => {
    const found = listing.tests.filter(fits);
    body.replaceChildren(...found.slice(0, limit).map((row) => line(row, several, chosen)));
    count.textContent = found.length === listing.tests.length
      ? t("desk.tests", { n: found.length }) : t("desk.of_tests", { n: found.length, all: listing.tests.length });
    more.hidden = found.length <= limit;
    more.textContent = t("desk.more", { n: found.length - limit });
    chosen();
  };
  more.addEventListener("click", () => { limit += 10 * ROWS; fill(); });
  const heads = ["pick", "test", "verdict", "lash", "interval", "begun", "box", "serial", "stand", ...(several ? ["book"] : []), "operator", "positions", "review"];
  byId("content").replaceChildren(
    el("h1", { class: "unseen" }, t("desk.list")),
    toolbar(several, () => { limit = ROWS; fill(); }, count, compare),
    ...listing.books.filter((one) => one.reason).map((one) => el("p", { class: "damaged" }, el("b", {}, one.name), ` ${one.reason.replace(/^[^ ]*: /, "")}`)),
    el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("desk.list") }, el("table", { id: "list" },
      el("thead", {}, el("tr", {}, ...heads.map((name) => el("th", { scope: "col", class: `c-${name}` },
        name === "pick" ? el("span", { class: "unseen" }, t("desk.pick")) : name === "interval" ? "95 %" : t(`desk.${name}`))))),
      body)),
    more,
  );
  fill();
}

function fits(row) {
  const words = `${row.test} ${row.box} ${row.serial} ${row.operator} ${row.stand} ${row.review} ${row.signed} ${row.ended}`.toLowerCase();
  const day = row.begun.slice(0, 10);
  return filters.text.toLowerCase().split(/\s+/).every((one) => words.includes(one))
    && (!filters.book || String(row.book) === filters.book)
    && (!filters.stand || row.stand === filters.stand)
    && (!filters.box || row.box === filters.box)
    && (!filters.verdict || (row.outcome || "none") === filters.verdict)
    && (!filters.from || day >= filters.from) && (!filters.to || day <= filters.to);
}

function toolbar(several, changed, count, compare) {
  const values = (name) => [...new Set(listing.tests.map((row) => row[name]).filter(Boolean))].sort();
  const options = {
    stand: values("stand").map((one) => [one, one]),
    box: values("box").map((one) => [one, one]),
    verdict: ["conforming", "nonconforming", "not proven", "none"].map((one) => [one, t(`desk.outcome.${one.replace(" ", "_")}`)]),
    book: listing.books.map((one, at) => [String(at), one.name]),
  };
  const control = (name, made) => {
    made.value = filters[name];
    made.addEventListener("input", () => { filters[name] = made.value; changed(); });
    return el("label", { class: `f-${name}` }, el("span", {}, t(["text", "box", "from", "to"].includes(name) ? `desk.filter.${name}` : `desk.${name}`)), made);
  };
  const select = (name) => control(name, el("select", { id: `filter-${name}` },
    el("option", { value: "" }, t("desk.any")), ...options[name].map(([value, text]) => el("option", { value }, text))));
  for (const [name, some] of Object.entries(options)) if (filters[name] && !some.some(([value]) => value === filters[name])) filters[name] = "";
  return el("form", { id: "filters", role: "search", onsubmit: (event) => event.preventDefault(), onreset: () => {
    for (const name of Object.keys(filters)) filters[name] = "";
    setTimeout(changed);
  } },
    control("text", el("input", { id: "filter-text", type: "search", autocomplete: "off", spellcheck: "false" })),
    several && select("book"), select("stand"), select("box"), select("verdict"),
    control("from", el("input", { id: "filter-from", type: "date" })), control("to", el("input", { id: "filter-to", type: "date" })),
    el("button", { type: "reset" }, t("desk.clear")), count, compare);
}

const badge = (outcome) => el("span", { class: `badge ${outcome.replace(" ", "-")}` },
  el("i", { "aria-hidden": "true" }, MARKS[outcome] ?? ""), outcome ? t(`desk.outcome.${outcome.replace(" ", "_")}`) : "–");

function line(row, several, chosen) {
  const pick = el("input", { type: "checkbox", "aria-label": t("desk.pick_test", { test: row.test }), onchange: () => {
    if (pick.checked) picked.set(idOf(row), row); else picked.delete(idOf(row));
    chosen();
  } });
  pick.checked = picked.has(idOf(row));
  const address = addressOf({ book: row.book, test: row.key });
  let rests = 0;
  const leave = () => clearTimeout(rests);
  return el("tr", {
    onpointerenter: () => { leave(); rests = setTimeout(prepare, REST_MS, row); },
    onpointerleave: leave,
    onpointerdown: (event) => { leave(); if (event.target.closest("a")) prepare(row); },
  },
    el("td", { class: "c-pick" }, pick),
    el("th", { scope: "row", class: "c-test", title: row.test }, link(address, {}, row.test)),
    el("td", { class: "c-verdict" }, badge(row.outcome), row.ended && el("small", { title: row.ended }, row.ended)),
    el("td", { class: "c-lash n" }, row.lash),
    el("td", { class: "c-interval n" }, row.interval),
    el("td", { class: "c-begun" }, row.begun.slice(0, 16)),
    el("td", { class: "c-box", title: row.box }, row.box),
    el("td", { class: "c-serial", title: row.serial }, row.serial),
    el("td", { class: "c-stand", title: row.stand }, row.stand),
    several && el("td", { class: "c-book" }, listing.books[row.book].name.replace(/\.logbook$/, "")),
    el("td", { class: "c-operator" }, row.operator),
    el("td", { class: "c-positions n" }, String(row.positions)),
    el("td", { class: "c-review" }, row.review, row.signed && el("small", {}, t("desk.signed_by", { name: row.signed }))));
}

// A test that is likely to be opened is recomputed before it is asked for.
function prepare(row) {
  if (visit === listVisit) ask("/prepare", { book: row.book, test: row.key }).catch(() => {}); // whoever opens it is told
}

// One test --------------------------------------------------------------------------------------------------------
async function showTest(asked, here) {
  const place = { book: asked.get("book") ?? "0", test: asked.get("test") };
  where(place.test);
  const main = byId("content");
  const waiting = el("div", { class: "opening" }, el("h1", {}, place.test), el("p", { role: "status" }, t("desk.recomputing")));
  main.replaceChildren(waiting);
  const fill = (row) => { if (here === visit && waiting.isConnected) waiting.append(...asStored(row)); };
  const known = listing?.tests.find((row) => String(row.book) === place.book && row.key === place.test);
  if (known) fill(known);
  else ask("/stored", place).then((answer) => answer.json()).then(fill, () => {}); // what is wrong is said when it is opened
  const test = await (await ask("/open", place)).json();
  if (here !== visit) return;
  const { parts } = test;
  const state = { test, place, position: null, trace: null, rows: new Map(), hits: new Map(), sort: { by: "gear_tooth", down: false } };
  main.replaceChildren(
    el("div", { class: "title" },
      el("h1", {}, test.test), badge(parts.outcome), el("p", {}, parts.box), parts.remark && el("p", { class: "soft remark" }, parts.remark),
      el("dl", { class: "cells" }, ...parts.cells.filter(([, value]) => value !== test.test).map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value || "–"))))),
    el("div", { class: "columns-2" },
      el("div", { class: "evidence-side" }, mapOf(state), traceOf(state), tableOf(state)),
      el("div", { class: "verdict-side" },
        el("div", { lang: "en" }, ...markup(parts.verdict_html), ...markup(parts.spot_html), ...markup(parts.review_html)),
        reviewing(state), taking(state))),
    el("section", { class: "chapters", lang: "en", "aria-label": t("desk.evidence") }, ...markup(parts.before_html), ...markup(parts.chapters_html)),
  );
  if (asked.get("trace") in test.traces) { chooseTrace(state, asked.get("trace"), { address: false }); return; }
  const first = Number(asked.get("position")) || parts.rows.find((row) => row.usable && test.traces[row.position])?.position || parts.rows[0]?.position;
  if (first) choose(state, first, { address: false });
  else if (tracesOf(state).length) chooseTrace(state, tracesOf(state)[0], { address: false });
}

// What was stored when the test ended: nobody has checked it yet, and it says so.
function asStored(row) {
  const cells = [["lash", row.lash], ["interval", row.interval], ...["begun", "box", "serial", "stand", "operator", "positions"].map((name) => [name, String(row[name])]),
    ["review", [row.review, row.signed && t("desk.signed_by", { name: row.signed })].filter(Boolean).join(", ")]];
  return [
    el("p", { class: "stored" }, t("desk.as_stored"), " ", badge(row.outcome), row.ended && el("span", { lang: "en" }, ` ${row.ended}`)),
    el("dl", { class: "cells" }, ...cells.map(([name, value]) => el("div", {},
      el("dt", {}, name === "interval" ? "95 %" : t(`desk.${name}`)), el("dd", {}, value || "–")))),
  ];
}

function choose(state, position, { address = true, focus = false } = {}) {
  if (!state.rows.has(position)) position = state.rows.keys().next().value;
  if (position === undefined) return;
  state.position = position;
  state.trace = String(position);
  for (const [number, row] of state.rows) {
    row.setAttribute("aria-current", String(number === position));
    row.querySelector("button").tabIndex = number === position ? 0 : -1;
  }
  for (const [number, hit] of state.hits) hit.classList.toggle("chosen", number === position);
  const row = state.rows.get(position);
  if (focus) row.querySelector("button").focus();
  const inside = row.closest(".scroll");
  if (inside && (row.offsetTop < inside.scrollTop + 30 || row.offsetTop > inside.scrollTop + inside.clientHeight - 30)) inside.scrollTop = row.offsetTop - inside.clientHeight / 2;
  if (byId("review-position")) byId("review-position").value = position;
  if (address) history.replaceState(null, "", addressOf({ ...state.place, position }));
  drawTrace(state);
}

// Rocks in the order of the table, whether they have samples or not, then sweeps and passes.
const tracesOf = (state) => [...[...state.rows.keys()].map(String), ...Object.keys(state.test.traces).filter((key) => state.test.traces[key].kind !== "rock")];

// Any trace: that of a position, a sweep or a pass.
function chooseTrace(state, key, { address = true } = {}) {
  if (state.rows.has(Number(key))) { choose(state, Number(key), { address }); return; }
  state.position = null;
  state.trace = key;
  for (const row of state.rows.values()) row.setAttribute("aria-current", "false");
  for (const hit of state.hits.values()) hit.classList.remove("chosen");
  if (address) history.replaceState(null, "", addressOf({ ...state.place, trace: key }));
  drawTrace(state);
}

// In words of this language; of a rock its teeth too, where there is room.
function nameOf(state, key, { whole = false } = {}) {
  const trace = state.test.traces[key];
  if (trace?.kind === "sweep") return t("desk.sweep", { member: t(`desk.member.${trace.member}`) });
  if (trace?.kind === "pass") return t("desk.pass", { number: trace.number, direction: t(`desk.direction.${trace.direction}`) });
  const row = state.test.parts.rows.find((one) => String(one.position) === key);
  if (!whole) return t("desk.position", { position: key });
  return t("desk.trace_of", { position: key, gear: row.gear_tooth, pinion: row.pinion_tooth, engagement: row.engagement });
}

function mapOf(state) {
  const { parts, units } = state.test;
  const section = el("section", { id: "map-section", "aria-labelledby": "map-h" }, el("h2", { id: "map-h" }, t("desk.map")));
  if (!parts.map) { section.append(el("p", { class: "missing" }, parts.no_map)); return section; }
  const frame = el("div", { class: "scroll map", tabindex: "0" }, ...markup(parts.map));
  const svg = frame.querySelector("svg");
  const { xZero, xStep, yZero, yStep } = svg.dataset;
  for (const row of parts.rows) {
    const hit = document.createElementNS(SVG, "circle");
    const lash = row.normal_backlash;
    hit.setAttribute("class", "hit");
    hit.setAttribute("cx", String((row.place - Number(xZero)) / Number(xStep)));
    hit.setAttribute("cy", String(lash === null ? svg.viewBox.baseVal.height - 38 : (lash - Number(yZero)) / Number(yStep)));
    hit.setAttribute("r", "7");
    const title = document.createElementNS(SVG, "title");
    title.textContent = t("desk.point", { position: row.position, gear: row.gear_tooth, pinion: row.pinion_tooth,
      lash: lash === null ? t("desk.refused") : `${lash.toFixed(units === "in" ? 5 : 4)} ${units}` });
    hit.append(title);
    hit.addEventListener("click", () => choose(state, row.position));
    state.hits.set(row.position, hit);
    svg.append(hit);
  }
  section.append(frame, el("p", { class: "soft small" }, t("desk.map_hint")));
  return section;
}

function traceOf(state) {
  const button = (key, text, act) => el("button", { type: "button", "aria-label": text.length > 1 ? null : t(key), title: t(key), onclick: () => traceView && act(traceView) }, text);
  const canvas = el("canvas", { id: "trace", tabindex: "0", role: "img", "aria-describedby": "trace-hint" });
  return el("section", { id: "trace-section", "aria-labelledby": "trace-h" },
    el("div", { class: "head" }, el("h2", { id: "trace-h" }, t("desk.trace")),
      el("select", { id: "trace-of", "aria-labelledby": "trace-h", onchange: (event) => chooseTrace(state, event.target.value) }), el("p", { id: "trace-name" }),
      el("div", { class: "buttons" },
        button("desk.before", "‹", () => step(state, -1)), button("desk.next", "›", () => step(state, 1)),
        button("desk.zoom_in", "+", (view) => view.zoom(0.5)), button("desk.zoom_out", "−", (view) => view.zoom(2)),
        button("desk.zoom_all", t("desk.all"), (view) => view.all()))),
    canvas,
    el("p", { id: "trace-told" }, el("span", { id: "trace-window" }), " ", el("output", { id: "trace-cursor" })),
    el("ul", { id: "trace-flags", lang: "en" }),
    el("p", { id: "trace-hint", class: "soft small" }, t("desk.trace_hint")));
}

function step(state, by) {
  const order = tracesOf(state);
  const at = order.indexOf(state.trace) + by;
  if (order[at] !== undefined) chooseTrace(state, order[at]);
}

function drawTrace(state) {
  const { test } = state;
  const key = state.trace;
  const old = byId("trace");
  const canvas = old.cloneNode(); // without what listened to the trace before
  const hadFocus = document.activeElement === old;
  old.replaceWith(canvas);
  if (hadFocus) canvas.focus({ preventScroll: true });
  traceView?.close();
  traceView = null;
  const trace = test.traces[key];
  byId("trace-of").replaceChildren(...tracesOf(state).map((one) => new Option(nameOf(state, one), one, false, one === key)));
  byId("trace-name").textContent = trace && trace.kind !== "rock" ? "" : nameOf(state, key, { whole: true });
  const [cursor, stretch] = [byId("trace-cursor"), byId("trace-window")];
  stretch.textContent = cursor.textContent = "";
  byId("trace-flags").replaceChildren(...(trace?.flags ?? []).map((flag) => el("li", { class: flag.disabling ? "disabling" : "" }, el("b", {}, flag.name), ` ${flag.sentence}`)));
  canvas.hidden = !trace;
  if (!trace) { stretch.textContent = t("desk.no_samples"); return; }
  canvas.setAttribute("aria-label", t("desk.trace_label", { name: nameOf(state, key), n: trace.samples, s: trace.duration.toFixed(1) }));
  const fetchStretch = async (channel, from, to, points) => {
    const answer = await ask("/trace", { key: test.key, of: key, channel, from, to, points });
    return new Float64Array(await answer.arrayBuffer());
  };
  traceView = new TraceView(canvas, trace, async (...asked) => {
    try { return await fetchStretch(...asked); } catch (error) { trouble(error.message); throw error; }
  }, {
    length: (value) => `${value.toFixed(test.units === "in" ? 6 : 5)} ${test.units}`,
    unit: test.units,
    least: test.units === "in" ? 0.0001 : 0.002,
    channel: (name) => (name === "pinion" || name === "gear" ? t(`desk.member.${name}`) : ""),
    // The nodes of this view: what it still draws when the reader has gone on is seen by nobody.
    tell: (text) => { cursor.textContent = text; },
    window: (from, to) => { stretch.textContent = t("desk.window", { from: from.toFixed(3), to: to.toFixed(3), all: trace.duration.toFixed(1) }); },
  });
  window.lashmapTrace = traceView; // for whoever measures it
}

function tableOf(state) {
  const { parts } = state.test;
  const body = el("tbody");
  const heads = [["position", parts.heads[0]], ["gear_tooth", t("desk.gear_tooth")], ["pinion_tooth", t("desk.pinion_tooth")],
    ["engagement", parts.heads[1]], ...parts.heads.slice(2).map((name) => [null, name])];
  const head = el("tr", {}, ...heads.map(([by, name], at) => el("th", { scope: "col", class: at < heads.length - 1 ? "n" : "" },
    by ? el("button", { type: "button", class: "sort", "data-by": by, onclick: () => { state.sort = { by, down: state.sort.by === by && !state.sort.down }; fill(); } }, name) : name)));
  const fill = () => {
    const { by, down } = state.sort;
    const rows = [...parts.rows].sort((a, b) => (a[by] - b[by] || a.position - b.position) * (down ? -1 : 1));
    state.rows = new Map(rows.map((row) => [row.position, rowOf(state, row)]));
    body.replaceChildren(...state.rows.values());
    for (const button of head.querySelectorAll("button")) {
      button.parentElement.setAttribute("aria-sort", button.dataset.by === by ? (down ? "descending" : "ascending") : "none");
    }
    if (state.position) for (const [number, row] of state.rows) row.setAttribute("aria-current", String(number === state.position));
  };
  fill();
  return el("section", { "aria-labelledby": "positions-h" }, el("h2", { id: "positions-h" }, t("desk.positions_by_tooth")),
    el("div", { class: "scroll tall" }, el("table", { id: "positions", lang: "en", onkeydown: (event) => {
      const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
      if (!by || !event.target.matches("tbody button")) return;
      event.preventDefault();
      const order = [...state.rows.keys()];
      const next = order[order.indexOf(state.position) + by];
      if (next !== undefined) choose(state, next, { focus: true });
    } }, el("thead", {}, head), body)));
}

function rowOf(state, row) {
  const [number, engagement, ...cells] = row.cells;
  const last = cells.length - 1;
  return el("tr", { class: row.usable ? "" : "refused-row", onclick: () => choose(state, row.position) },
    el("th", { scope: "row", class: "n" }, el("button", { type: "button", class: "pick", tabindex: "-1", "aria-label": t("desk.show_position", { position: row.position }) }, number)),
    el("td", { class: "n strong" }, String(row.gear_tooth)), el("td", { class: "n" }, String(row.pinion_tooth)), el("td", { class: "n" }, engagement),
    ...cells.map((cell, at) => el("td", { class: at < last ? (at === 2 ? "n strong" : "n") : "remarks" }, cell)));
}

// Reviewing -------------------------------------------------------------------------------------------------------
function reviewing(state) {
  const { test } = state;
  const section = el("section", { id: "reviewing", "aria-labelledby": "reviewing-h" }, el("h2", { id: "reviewing-h" }, t("desk.review_title")));
  if (test.exclusions.length) {
    section.append(el("ul", { class: "exclusions" }, ...test.exclusions.map((one) => el("li", { class: one.holds ? "" : "undone" },
      el("b", {}, `${one.number}  ${one.what}`), ` ${one.reason} (${one.by})`, one.holds ? null : ` ${t("desk.taken_back")}`))));
  }
  if (!about.may) {
    section.append(el("p", { class: "soft" }, t(about.writes ? "desk.read_only" : "desk.never_writes")));
    return section;
  }
  const holding = test.exclusions.filter((one) => one.holds);
  const deeds = [["exclude", true], ["undo", holding.length > 0], ["sign", true]].filter(([, there]) => there).map(([name]) => name);
  const field = (name, made) => el("label", { class: `r-${name}` }, el("span", {}, t(`desk.review.${name}`)), made);
  const deed = el("select", { id: "review-deed" }, ...deeds.map((name) => el("option", { value: name }, t(`desk.review.do_${name}`))));
  const position = el("input", { id: "review-position", type: "number", min: 1, inputmode: "numeric" });
  const reversal = el("input", { id: "review-reversal", type: "number", min: 1, inputmode: "numeric" });
  const undo = el("select", { id: "review-undo" }, ...holding.map((one) => el("option", { value: one.number }, `${one.number}  ${one.what}`)));
  const reason = el("textarea", { id: "review-reason", rows: 2, maxlength: 1000 });
  const by = el("input", { id: "review-by", type: "text", maxlength: 100, autocomplete: "name" });
  const done = el("button", { type: "submit", class: "grave" }, t("desk.review.write"));
  const refused = el("p", { id: "review-refused", role: "alert" });
  const fields = { position: field("position", position), reversal: field("reversal", reversal), undo: field("undo_which", undo), reason: field("reason", reason), by: field("by", by) };
  const shape = () => {
    fields.position.hidden = fields.reversal.hidden = deed.value !== "exclude";
    fields.undo.hidden = deed.value !== "undo";
  };
  deed.addEventListener("change", shape);
  const form = el("form", { id: "review-form", onsubmit: async (event) => {
    event.preventDefault();
    refused.textContent = "";
    done.disabled = true;
    const number = (input) => (input.value.trim() === "" ? null : Number(input.value));
    const body = { book: Number(state.place.book), test: state.place.test, seen: test.seen, reason: reason.value, by: by.value };
    if (deed.value === "exclude") Object.assign(body, { exclude: number(position), reversal: number(reversal) });
    if (deed.value === "undo") body.undo = number(undo);
    if (deed.value === "sign") body.sign = true;
    try {
      const answer = await ask("/review", {}, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
      const { said } = await answer.json();
      listing = null;
      await arrive({ focus: false });
      tell([t("desk.review.written"), ...said].join(" "));
    } catch (error) {
      refused.textContent = error.message;
      refused.focus?.();
    }
    done.disabled = false;
  } }, field("deed", deed), fields.position, fields.reversal, fields.undo, fields.reason, fields.by, done, refused);
  shape();
  section.append(form, el("p", { class: "soft small" }, t("desk.review.hint")));
  return section;
}

function taking(state) {
  const wanted = about.downloads.filter((what) => what !== "dossier.pdf" || state.test.build);
  return el("section", { id: "taking", "aria-labelledby": "taking-h" }, el("h2", { id: "taking-h" }, t("desk.take")),
    el("ul", {}, ...wanted.map((what) => el("li", {}, el("button", { type: "button", "data-what": what, onclick: (event) => take(state, what, event.target) }, t(`desk.take.${what}`))))));
}

async function take(state, what, button) {
  button.disabled = true;
  tell(t("desk.making"));
  trouble("");
  try {
    const answer = await ask("/download", { ...state.place, what });
    const name = /filename="?([^";]+)/.exec(answer.headers.get("content-disposition") ?? "")?.[1] ?? what;
    const url = URL.createObjectURL(await answer.blob());
    const saved = el("a", { href: url, download: name });
    document.body.append(saved);
    saved.click();
    saved.remove();
    setTimeout(() => URL.revokeObjectURL(url), 60_000);
    tell(t("desk.taken", { name }));
  } catch (error) {
    tell("");
    trouble(error.message);
  }
  button.disabled = false;
}

// Two tests -------------------------------------------------------------------------------------------------------
async function showComparison(asked, here) {
  const place = Object.fromEntries(["book1", "test1", "book2", "test2"].map((name) => [name, asked.get(name) ?? "0"]));
  where(t("desk.comparison"));
  byId("content").replaceChildren(el("p", { class: "empty", role: "status" }, t("desk.comparing")));
  const { html } = await (await ask("/compare", place)).json();
  if (here !== visit) return;
  byId("content").replaceChildren(
    el("h1", {}, t("desk.comparison")),
    el("p", { class: "soft" }, t("desk.comparison_hint"), " ", ...[1, 2].flatMap((n) => [link(addressOf({ book: place[`book${n}`], test: place[`test${n}`] }), {}, place[`test${n}`]), " "])),
    el("div", { class: "comparison", lang: "en" }, ...markup(html)));
}

// Beginning -------------------------------------------------------------------------------------------------------
function spoke() {
  byId("access").textContent = t(about.may ? "desk.may_write" : "desk.may_read");
  arrive({ focus: false });
}

async function begin() {
  try { about = await (await ask("/about")).json(); } catch (error) { trouble(error.message); return; }
  byId("hatches").append(...[...new DOMParser().parseFromString(`<svg xmlns="${SVG}">${about.hatches}</svg>`, "image/svg+xml").documentElement.childNodes].map((one) => document.importNode(one, true)));
  byId("home").firstElementChild.addEventListener("click", (event) => { if (!event.ctrlKey && !event.metaKey) { event.preventDefault(); go("/"); } });
  addEventListener("popstate", () => arrive());
  addEventListener("token", () => location.reload());
  addEventListener("dressed", () => traceView?.redraw());
  await offer(about.languages, spoke);
}

await begin();
