// What pages have in common: texts in the reader's language, how it looks, the token, the stream of pictures.
// Nothing is measured or judged in a browser.
export const byId = (id) => document.getElementById(id);
const KEPT = "lashmap-page";
const GIVEN_UP_S = 6; // without anything for so long a connection is dead
const AWAY_S = 3; // something is sent each second

// Texts ---------------------------------------------------------------------------------------------------------
const english = await texts("en");
let spoken = english;
export let language = "en";

async function texts(code) {
  const answer = await fetch(`/texts/${code}.json`);
  return answer.ok ? answer.json() : {};
}

export function say(phrase) {
  if (phrase === null || phrase === undefined) return "";
  if (Array.isArray(phrase)) return phrase.map(say).join("; ");
  if (typeof phrase !== "object") return String(phrase);
  const figures = phrase.figures ?? {};
  let text = spoken[phrase.key] ?? english[phrase.key] ?? phrase.key;
  if (typeof text === "object") text = text[new Intl.PluralRules(language).select(figures.n)] ?? text.other;
  return text.replace(/\{(\w+)\}/g, (_, name) => say(figures[name]));
}

export const t = (key, figures) => say({ key, figures });

export function span(seconds) {
  if (seconds < 120) return t("page.seconds", { n: Math.round(seconds) });
  if (seconds < 7200) return t("page.minutes", { n: Math.round(seconds / 60) });
  return t("page.hours", { n: Math.round(seconds / 3600) });
}

export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

// Settings: they stay in this browser. ----------------------------------------------------------------------------
const settings = { language: "", theme: "auto", contrast: false };
try { Object.assign(settings, JSON.parse(localStorage.getItem(KEPT) ?? "{}")); } catch { /* as new */ }
const dark = matchMedia("(prefers-color-scheme: dark)");
const sharp = matchMedia("(prefers-contrast: more)");

function dress() {
  const root = document.documentElement;
  root.dataset.theme = settings.theme === "auto" ? (dark.matches ? "dark" : "light") : settings.theme;
  root.dataset.contrast = settings.contrast || sharp.matches ? "high" : "normal";
}

async function speakIn(code, spoke) {
  spoken = code === "en" ? english : { ...english, ...(await texts(code)) };
  language = code;
  document.documentElement.lang = code;
  for (const node of document.querySelectorAll("[data-text]")) node.textContent = t(node.dataset.text);
  for (const node of document.querySelectorAll("[data-label]")) node.setAttribute("aria-label", t(node.dataset.label));
  spoke();
}

// Wires the dialog of settings; `spoke` is called when the texts changed.
export async function dressed(languages, spoke) {
  const list = byId("language");
  list.replaceChildren(...Object.entries(languages).map(([code, name]) => new Option(name, code)));
  const wanted = [settings.language, ...navigator.languages.map((one) => one.slice(0, 2)), "en"];
  list.value = wanted.find((code) => code in languages);
  await speakIn(list.value, spoke);
  list.addEventListener("change", () => speakIn(list.value, spoke));
}

for (const [id, read] of [["language", "value"], ["theme", "value"], ["contrast", "checked"]]) {
  const node = byId(id);
  if (id !== "language") node[read] = settings[id];
  node.addEventListener("change", () => {
    settings[id] = node[read];
    try { localStorage.setItem(KEPT, JSON.stringify(settings)); } catch { /* for this visit only */ }
    dress();
  });
}
byId("open-settings").addEventListener("click", () => byId("settings").showModal());
for (const one of [dark, sharp]) one.addEventListener("change", dress);
dress();
for (const node of document.querySelectorAll("[data-text]")) node.textContent = t(node.dataset.text);

// The stream ------------------------------------------------------------------------------------------------------
let token = "";
function takeToken() {
  const given = location.hash.slice(1);
  if (given) {
    try { sessionStorage.setItem(KEPT, given); } catch { /* until it is loaded again */ }
    token = given;
    history.replaceState(null, "", location.pathname); // it is not to be read over a shoulder
  } else {
    try { token ||= sessionStorage.getItem(KEPT) ?? ""; } catch { /* none */ }
  }
}
takeToken();
addEventListener("hashchange", takeToken);

const headers = () => (token ? { Authorization: `Bearer ${token}` } : {});
let heard = null; // when what is shown was true
let trouble = "";
let about = null;

export const isAway = () => heard === null || performance.now() - heard > AWAY_S * 1000;
export const pictureAge = () => (heard === null ? null : (performance.now() - heard) / 1000);
export const whatIsWrong = () => trouble;

async function refusalOf(answer) {
  let reason = String(answer.status);
  try { reason = (await answer.json()).reason ?? reason; } catch { /* the number says it */ }
  if (answer.status === 401) return t("board.needs_token");
  return t(answer.status === 503 ? "board.too_many" : "board.refused", { reason });
}

// `page` has introduce(about), begin(), take(name, part) and drawn().
async function followOnce(page) {
  const stop = new AbortController();
  let last = performance.now();
  const watch = setInterval(() => { if (performance.now() - last > GIVEN_UP_S * 1000) stop.abort(); }, 500);
  try {
    if (about === null) {
      const answer = await fetch("/about", { headers: headers(), signal: stop.signal });
      if (!answer.ok) { trouble = await refusalOf(answer); return; }
      about = await answer.json();
      await page.introduce(about);
    }
    const answer = await fetch("/pictures", { headers: headers(), signal: stop.signal });
    if (!answer.ok) { trouble = await refusalOf(answer); return; }
    page.begin();
    const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    let rest = "";
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return;
      last = performance.now();
      trouble = "";
      const events = (rest + value).split("\n\n");
      rest = events.pop();
      for (const event of events) {
        const found = /^event: (\w+)\ndata: (.*)$/.exec(event);
        if (!found) continue;
        const [name, part] = [found[1], JSON.parse(found[2])];
        heard = performance.now() - (name === "beat" ? part * 1000 : 0);
        if (name !== "beat") page.take(name, part);
      }
      if (events.length) page.drawn();
    }
  } finally {
    clearInterval(watch);
    stop.abort();
  }
}

export async function follow(page) {
  for (let tries = 0; ; tries += 1) {
    const before = heard;
    try { await followOnce(page); } catch { /* it is tried again */ }
    if (heard !== before) tries = 0;
    const wait = Math.min(10, 0.5 * 2 ** Math.min(tries, 5)) * (0.5 + Math.random() / 2);
    await new Promise((go) => { setTimeout(go, wait * 1000); });
  }
}
