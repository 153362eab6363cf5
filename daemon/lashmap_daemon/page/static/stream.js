// The stream of pictures of a stand or a board: followed for ever, and how old the last picture is.
import { byId, put, reasonOf, request, t } from "/reader.js";

const AWAY_S = 3; // something is sent each second
const GIVEN_UP_S = 6; // without anything for so long a connection is dead
let about = null;
let heard = null; // when what is shown was true
let trouble = "";

export const isAway = () => heard === null || performance.now() - heard > AWAY_S * 1000;

export function span(seconds) {
  if (seconds < 120) return t("page.seconds", { n: Math.round(seconds) });
  if (seconds < 7200) return t("page.minutes", { n: Math.round(seconds / 60) });
  return t("page.hours", { n: Math.round(seconds / 3600) });
}

// Says whether what is shown is old (the text `gone`), and why nothing comes; else `state`.
export function tellAge(gone, state) {
  const old = heard !== null && isAway();
  document.body.classList.toggle("gone", old);
  const age = old ? t(gone, { age: span((performance.now() - heard) / 1000) }) : "";
  put(byId("away"), [age, trouble].filter(Boolean).join(" "));
  byId("away").hidden = !age && !trouble;
  put(byId("state"), heard === null && !trouble ? t("page.connecting") : state);
}

async function isRefused(answer) {
  if (answer.ok) return false;
  const reason = await reasonOf(answer);
  if (answer.status === 401) trouble = reason;
  else trouble = t(answer.status === 503 ? "page.too_many" : "page.refused_page", { reason });
  return true;
}

async function followOnce(page) {
  const stop = new AbortController();
  let last = performance.now();
  const watch = setInterval(() => { if (performance.now() - last > GIVEN_UP_S * 1000) stop.abort(); }, 500);
  try {
    if (about === null) {
      const answer = await request("/about", { signal: stop.signal });
      if (await isRefused(answer)) return;
      about = await answer.json();
      await page.introduce(about);
    }
    const answer = await request("/pictures", { signal: stop.signal });
    if (await isRefused(answer)) return;
    page.begin?.();
    const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    let rest = "";
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return;
      last = performance.now();
      trouble = "";
      const events = (rest + value).split("\n\n");
      rest = events.pop();
      for (const event of events) take(event, page);
      if (events.length) page.drawn();
    }
  } finally {
    clearInterval(watch);
    stop.abort();
  }
}

function take(event, page) {
  const found = /^event: (\w+)\ndata: (.*)$/.exec(event);
  if (!found) return;
  const [name, part] = [found[1], JSON.parse(found[2])];
  const isBeat = name === "beat"; // nothing changed, or nothing is made any more: it says how old the picture is
  heard = performance.now() - (isBeat ? part * 1000 : 0);
  if (!isBeat) page.take(name, part);
}

// `page` has introduce(about), take(name, part), drawn(), and begin() when a new stream begins.
export async function follow(page) {
  for (let tries = 0; ; tries += 1) {
    const before = heard;
    try { await followOnce(page); } catch { /* it is tried again */ }
    if (heard !== before) tries = 0;
    // Not all tablets of a hall at the same moment after a stand came back.
    const wait = Math.min(10, 0.5 * 2 ** Math.min(tries, 5)) * (0.5 + Math.random() / 2);
    await new Promise((go) => { setTimeout(go, wait * 1000); });
  }
}
