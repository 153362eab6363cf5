// The board of all stands: follows what changes, sorts what needs a person first, and filters. It asks for nothing.
import { byId, language, offer, put, say, t } from "/reader.js";
import { follow, span, tellAge } from "/stream.js";

const QUIET_S = 60; // a running test that has said nothing for so long, though it was asked, may hang
let rows = new Map(); // by place: what came, and its element
let heard = []; // by place: when each stand spoke last, on the clock of the board
let hall = null;
let clock = 0; // that clock, as this browser's
let order = [];
let changed = new Set();
let counted = "";

const now = () => (performance.now() - clock) / 1000;

function piece(parent, name) {
  const made = document.createElement("span");
  made.className = name;
  parent.append(made);
  return made;
}

function elementOf(row) {
  const li = document.createElement("li");
  for (const name of ["name", "doing", "asks", "progress", "verdict", "age"]) row[`_${name}`] = piece(li, name);
  return li;
}

function doing(row) {
  if (row.is !== "online") return t(`board.${row.is}`) + (row.why ? ` (${row.why})` : "");
  if (row.wants) return say(row.wants);
  return t(`board.${row.doing || "online"}`);
}

const lacks = (row) => row.lacks.map(([instrument, state]) => `${instrument}: ${t(`board.${state}`)}`);

function text(row) {
  return [row.name, row.stand, row.box, doing(row), row.asks, ...row.alarms, ...lacks(row), row.verdict_of, verdict(row)]
    .join(" ").toLocaleLowerCase(language);
}

function verdict(row) {
  if (!row.verdict) return "";
  const of = row.verdict_of && row.verdict_of !== row.box ? row.verdict_of : "";
  const said = [t(`desk.outcome.${row.verdict.replace(" ", "_")}`), of, row.signed ? t(`board.${row.signed}`) : ""].filter(Boolean).join(", ");
  return row.before ? t("board.last", { verdict: said }) : said; // never to be taken for one of the test that runs
}

function draw(row) {
  const { li } = row;
  li.dataset.need = need(row);
  put(row._name, [row.name, row.box].filter(Boolean).join(" · "));
  put(row._doing, doing(row));
  row._doing.classList.toggle("bad", row.need <= 1);
  const wrong = [...row.alarms, ...lacks(row)].join("; ");
  put(row._asks, [wrong, row.asks].filter(Boolean).join(" — "));
  row._asks.classList.toggle("bad", Boolean(wrong));
  const done = row.done ? t("page.positions", { done: row.done[0], total: row.done[1] }) : "";
  put(row._progress, [done, row.tight ? `${t("page.tight")} ${row.tight}` : ""].filter(Boolean).join(", "));
  put(row._verdict, verdict(row));
  row._verdict.dataset.verdict = row.verdict;
  row.words = text(row);
}

// How long a stand has said nothing; true when that makes it doubtful whether its test goes on.
function age(place, row) {
  const at = heard[place];
  const seconds = at === null || at === undefined ? null : Math.max(0, now() - at);
  const silent = seconds ?? (hall ? now() - hall.since : 0); // since the broker was reached, where nothing came
  const quiet = row.doing === "testing" && row.is === "online" && silent > QUIET_S;
  const said = seconds === null ? t("board.nothing_since") : t("board.heard", { age: span(seconds) });
  put(row._age, quiet && seconds !== null ? t("board.quiet", { age: span(seconds) }) : said);
  row._age.classList.toggle("bad", quiet);
  row._age.classList.toggle("faint", !quiet);
  if (row.quiet !== quiet) arrangeSoon();
  row.quiet = quiet;
  row.li.dataset.need = need(row);
}

// A connection that lives says nothing of a test that hangs behind it: a quiet one needs somebody to look.
const need = (row) => (row.quiet ? 0 : row.need);

const WHICH = {
  all: () => true,
  person: (row) => need(row) <= 2,
  alarm: (row) => need(row) === 0,
  testing: (row) => row.doing === "testing",
  idle: (row) => row.is === "online" && row.doing !== "testing",
  away: (row) => row.is !== "online",
};

// Elements that already stand in the right order are left where they are.
function arrange() {
  const wanted = byId("text").value.trim().toLocaleLowerCase(language).split(/\s+/).filter(Boolean);
  const which = WHICH[byId("which").value];
  const sorted = [...rows.entries()].sort(([, a], [, b]) => need(a) - need(b) || a.name.localeCompare(b.name, language, { numeric: true }) || a.stand.localeCompare(b.stand));
  const shown = sorted.filter(([, row]) => which(row) && wanted.every((word) => row.words.includes(word)));
  const list = byId("stands");
  const next = shown.map(([, row]) => row.li);
  const stay = new Set(next);
  for (const li of [...list.children]) if (!stay.has(li)) li.remove();
  let at = list.firstElementChild;
  for (const li of next) {
    if (li === at) at = at.nextElementSibling;
    else list.insertBefore(li, at);
  }
  order = shown;
  const alarms = sorted.filter(([, row]) => need(row) === 0).length;
  const said = [t("board.shown", { shown: shown.length, all: rows.size }), alarms ? t("board.count_alarms", { n: alarms }) : ""];
  counted = said.filter(Boolean).join(", ");
  put(byId("count"), counted);
  byId("none").hidden = shown.length > 0;
  put(byId("none"), rows.size ? t("board.none_fits") : t("board.none"));
  document.title = alarms ? `(${alarms}) ${t("board.title")}` : t("board.title");
}

let arranging = false;
function arrangeSoon() {
  if (arranging) return;
  arranging = true;
  setTimeout(() => { arranging = false; arrange(); }, 100);
}

function redraw() {
  for (const row of rows.values()) draw(row);
  arrange();
  tick();
}

function tick() {
  tellAge("board.gone_since", t("page.look_only"));
  if (hall === null) return;
  const broken = hall.problem ? t("board.broker_away", { age: span(Math.max(0, now() - hall.since)), reason: hall.problem }) : "";
  put(byId("broker"), broken);
  byId("broker").hidden = !broken;
  const remarks = [hall.broker];
  if (hall.not_understood) remarks.push(t("board.not_understood", { n: hall.not_understood }));
  if (hall.too_many) remarks.push(t("board.too_many_stands", { n: hall.too_many }));
  put(byId("remarks"), remarks.join(" · "));
  for (const [place, row] of rows) age(place, row); // those that are filtered out, too: they may be wanted now
}

follow({
  async introduce(about) {
    put(byId("root"), about.root);
    await offer(about.languages, redraw);
  },
  begin() { // a board that was started anew has other places
    rows = new Map();
    heard = [];
    changed = new Set();
  },
  take(name, part) {
    if (name === "heard") heard = part.at;
    else if (name === "hall") {
      hall = part;
      clock = performance.now() - part.now * 1000;
    } else if (name[0] === "s") {
      const place = Number(name.slice(1));
      const before = rows.get(place);
      const row = before ? Object.assign(before, part) : part;
      row.li ??= elementOf(row);
      rows.set(place, row);
      changed.add(place);
    }
  },
  drawn() {
    for (const place of changed) {
      const row = rows.get(place);
      draw(row);
      age(place, row);
    }
    if (changed.size) arrangeSoon();
    changed.clear();
  },
});

for (const id of ["text", "which"]) byId(id).addEventListener("input", arrange);
byId("filters").addEventListener("submit", (event) => event.preventDefault());
setInterval(tick, 500);
