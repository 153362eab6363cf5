// What every page knows of its reader: the language, how the page is to look, the token.
// Nothing is measured or judged in a browser.
export const byId = (id) => document.getElementById(id);
const KEPT = "lashmap-page";

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

export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function writeTexts() {
  for (const node of document.querySelectorAll("[data-text]")) put(node, t(node.dataset.text));
  for (const node of document.querySelectorAll("[data-label]")) node.setAttribute("aria-label", t(node.dataset.label));
}

async function speakIn(code) {
  spoken = code === "en" ? english : { ...english, ...(await texts(code)) };
  language = code;
  document.documentElement.lang = code;
  writeTexts();
}

// Offers the languages and speaks the reader's; `spoke` is called whenever the texts changed.
export async function offer(languages, spoke) {
  const list = byId("language");
  list.replaceChildren(...Object.entries(languages).map(([code, name]) => new Option(name, code)));
  const wanted = [settings.language, ...navigator.languages.map((one) => one.slice(0, 2)), "en"];
  list.value = wanted.find((code) => code in languages);
  setting("language", async () => { await speakIn(list.value); spoke(); });
  await speakIn(list.value);
  spoke();
}

// The dialog of settings, around what a page has in it of its own.
const SETTINGS = `<form method="dialog">
<h2 id="settings-title" data-text="page.settings">Settings</h2>
<p><label for="language" data-text="page.language">Language</label> <select id="language"></select></p>
<p><label for="theme" data-text="page.theme">Theme</label>
<select id="theme">
<option value="auto" data-text="page.theme_auto">auto</option>
<option value="light" data-text="page.theme_light">light</option>
<option value="dark" data-text="page.theme_dark">dark</option>
</select></p>
<p><label><input id="contrast" type="checkbox"> <span data-text="page.contrast">High contrast</span></label></p>
<p id="recorded" data-text="page.as_recorded"></p>
<menu><button value="close" data-text="page.close">Close</button></menu>
</form>`;

function fillDialog(dialog) {
  const own = [...dialog.children];
  dialog.innerHTML = SETTINGS;
  byId("recorded").before(...own);
}

// Settings: they stay in this browser. ----------------------------------------------------------------------------
export const settings = { language: "", theme: "auto", contrast: false, volume: 0.6, muted: false, voice: false, awake: true };
try { Object.assign(settings, JSON.parse(localStorage.getItem(KEPT) ?? "{}")); } catch { /* as new */ }

export function keep() {
  try { localStorage.setItem(KEPT, JSON.stringify(settings)); } catch { /* for this visit only */ }
}

// The control of that name keeps its setting; `changed` is called after.
export function setting(name, changed) {
  const node = byId(name);
  const value = { checkbox: "checked", range: "valueAsNumber" }[node.type] ?? "value";
  if (name !== "language") node[value] = settings[name];
  node.addEventListener("change", () => {
    settings[name] = node[value];
    keep();
    changed?.();
  });
}

const dark = matchMedia("(prefers-color-scheme: dark)");
const sharp = matchMedia("(prefers-contrast: more)");

function dress() {
  const { dataset } = document.documentElement;
  dataset.theme = settings.theme === "auto" ? (dark.matches ? "dark" : "light") : settings.theme;
  dataset.contrast = settings.contrast || sharp.matches ? "high" : "normal";
  dispatchEvent(new Event("dressed")); // for what is painted with the colours
}

// Token -----------------------------------------------------------------------------------------------------------
let token = "";

function takeToken() {
  const given = location.hash.slice(1);
  if (given && !byId(given)) { // else it is a link to a part of the page
    try { sessionStorage.setItem(KEPT, given); } catch { /* until it is loaded again */ }
    token = given;
    history.replaceState(null, "", location.pathname + location.search); // it is not to be read over a shoulder
  } else {
    try { token ||= sessionStorage.getItem(KEPT) ?? ""; } catch { /* none */ }
  }
}

// Asks the program, with the token.
export function request(path, more = {}) {
  return fetch(path, { ...more, headers: { ...(token ? { Authorization: `Bearer ${token}` } : {}), ...more.headers } });
}

// Why an answer is none.
export async function reasonOf(answer) {
  if (answer.status === 401) return t("page.needs_token");
  try { return (await answer.json()).reason ?? String(answer.status); } catch { return String(answer.status); }
}

addEventListener("hashchange", () => {
  const before = token;
  takeToken();
  if (token !== before) dispatchEvent(new Event("token"));
});
takeToken();
if (byId("settings")) fillDialog(byId("settings"));
setting("theme", dress);
if (byId("contrast")) setting("contrast", dress);
byId("open-settings")?.addEventListener("click", () => byId("settings").showModal());
for (const one of [dark, sharp]) one.addEventListener("change", dress);
dress();
writeTexts();
