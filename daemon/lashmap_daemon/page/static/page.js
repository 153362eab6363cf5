// The page of a stand: follows the stream of pictures, draws them, sounds, and asks for what is allowed.
// What is shown was decided by the program; nothing is measured or judged here.
import { byId, keep, language, offer, put, request, say, setting, settings, t } from "/reader.js";
import { follow, isAway, tellAge } from "/stream.js";

const SVG = "http://www.w3.org/2000/svg";
let about = null;
const parts = {};

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

// The stand ---------------------------------------------------------------------------------------------------------
const stand = {
  async introduce(said) {
    about = said;
    byId("stand").textContent = about.stand;
    byId("deeds").replaceChildren(...about.may.map((deed) => {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.deed = deed;
      button.dataset.text = `page.${deed}`;
      button.className = deed === "stop" ? "grave" : "";
      button.addEventListener("click", () => deedAsked(deed));
      return button;
    }));
    await offer(about.languages, () => { nameSettings(); redraw(); });
  },
  take(name, part) {
    if (name === "now" && part.test !== parts.now?.test) delete parts.trace; // that was another test's
    parts[name] = part;
  },
  drawn() { redraw(); age(); },
};

function nameSettings() {
  byId("mute").textContent = t(settings.muted ? "page.sound_off" : "page.sound_on");
  byId("no-voice").textContent = "speechSynthesis" in window ? "" : t("page.no_voice");
  byId("no-wake").textContent = "wakeLock" in navigator ? "" : t("page.no_wake");
}

// Asking -----------------------------------------------------------------------------------------------------------
async function deedAsked(deed) {
  const { test, place } = parts.now ?? {}; // what the person saw, not what is there when they have typed
  let words = "";
  if (deed === "stop" && !(await confirmed(byId("ask-stop")))) return;
  if (deed === "photo") { await photoAsked(test); return; }
  if (deed === "note") {
    byId("note").value = "";
    if (!(await confirmed(byId("ask-note")))) return;
    words = byId("note").value.trim();
    if (!words) return;
  }
  await send(deed, "/ask", "application/json", JSON.stringify({ deed, test, place, words }));
}

async function send(deed, path, type, body) {
  const what = t(`page.${deed}`);
  busy(true);
  byId("answer").textContent = t("page.asked", { what });
  try {
    const answer = await request(path, {
      method: "POST", headers: { "Content-Type": type }, body, signal: AbortSignal.timeout(14000),
    });
    const { reason } = await answer.json();
    byId("answer").textContent = answer.ok ? t("page.done", { what }) : t("page.refused", { reason });
  } catch {
    byId("answer").textContent = t("page.not_reached");
  }
  busy(false);
}

// A photograph is made small here: a contact pattern is seen in it, and a logbook is copied whole.
const PHOTO_SIDE = 1600;
async function photoAsked(test) {
  const file = await chosen(byId("camera"));
  if (!file) return;
  const canvas = byId("taken");
  try {
    const picture = await createImageBitmap(file);
    const scale = Math.min(1, PHOTO_SIDE / Math.max(picture.width, picture.height));
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
  } catch {
    byId("answer").textContent = t("page.refused", { reason: t("page.no_picture") });
    return;
  }
  byId("shows").value = "";
  if (!(await confirmed(byId("ask-photo")))) return;
  const about = new URLSearchParams({ test: test ?? "", words: byId("shows").value.trim() });
  const data = await new Promise((made) => { canvas.toBlob(made, "image/jpeg", 0.85); });
  await send("photo", `/photo?${about}`, "image/jpeg", data);
}

function chosen(input) {
  input.value = "";
  return new Promise((found) => {
    input.addEventListener("change", () => found(input.files[0]), { once: true });
    input.addEventListener("cancel", () => found(null), { once: true });
    input.click();
  });
}

let waiting = false;
function busy(is) {
  waiting = is;
  allow();
}

function allow() {
  const may = parts.now?.testing && !isAway() && !waiting;
  for (const button of document.querySelectorAll("#deeds button")) button.disabled = !may;
}

function confirmed(dialog) {
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((answer) => {
    dialog.addEventListener("close", () => answer(dialog.returnValue === "yes"), { once: true });
  });
}

byId("no-photo").addEventListener("click", () => byId("ask-photo").close("no"));

// Drawing -----------------------------------------------------------------------------------------------------------
function list(node, texts, dress) {
  const same = node.children.length === texts.length && texts.every((text, i) => node.children[i].textContent === text);
  if (!same) {
    node.replaceChildren(...texts.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
  }
  if (dress) [...node.children].forEach(dress);
}

function redraw() {
  const { now } = parts;
  if (!now) return;
  document.body.dataset.kind = now.kind;
  const shape = `#shape-${now.kind}`;
  const use = byId("shape").firstElementChild;
  if (use.getAttribute("href") !== shape) use.setAttribute("href", shape);
  const words = say(now.words);
  if (byId("words").textContent !== words) {
    byId("words").textContent = words;
    document.title = words;
    fit();
  }
  list(byId("details"), now.details.map(say));
  put(byId("why"), now.why);
  announce(now, words);
  drawValues(now);
  drawRock(now);
  put(byId("test"), now.test ?? "");
  const lines = parts.told?.lines ?? [];
  list(byId("lines"), [...lines].reverse());
  byId("told").hidden = lines.length === 0;
  sound(now.tone);
  allow();
  for (const id of ["around", "rocked", "know"]) byId(id).hidden = now.total === undefined;
  if (now.total === undefined) return;
  put(byId("count"), t("page.positions", { done: now.done, total: now.total }));
  byId("done").value = now.total ? now.done / now.total : 0;
  const times = [];
  if (now.gone_s !== null) times.push(t("page.gone", { time: clock(now.gone_s) }));
  if (now.left_s !== null) times.push(t("page.left", { time: clock(now.left_s) }));
  put(byId("times"), times.join(", "));
  const bad = now.damaged ? t("page.damaged", { what: now.damaged }) : "";
  put(byId("damaged"), bad || (now.bad_lines ? t("page.bad_lines", { count: now.bad_lines }) : ""));
  drawMap(parts.map, now.gear);
  drawTrace(parts.trace);
}

function drawValues(now) {
  const { value, gear, instruments } = now;
  put(byId("value-name"), value ? t(`page.${value.name}`) : t("page.instruments"));
  put(byId("value"), value ? (value.text ?? "–") : "");
  put(byId("value-age"), value ? ageOf(value) : "");
  byId("value-age").classList.toggle("old", Boolean(value?.stale));
  const counted = value && gear === null ? t("page.counted") : "";
  put(byId("gear"), gear ? `${t("page.gear")} ${say(gear.text) || "–"}` : counted);
  byId("gear").classList.toggle("old", Boolean(gear?.stale));
  list(byId("instruments"), (instruments ?? []).map((one) => [`${one.name}: ${one.text || "–"}`, one.problem, one.stale && !one.problem ? ageOf(one) : ""].filter(Boolean).join(" · ")));
}

function ageOf(value) {
  if (!value.stale) return "";
  return value.age_s === null ? t("page.no_value") : t("page.stale", { seconds: value.age_s });
}

function drawRock(now) {
  const { rock } = now;
  const said = [];
  if (rock) {
    said.push(t("page.reversals", { done: rock.reversals, wanted: rock.wanted }));
    said.push(rock.reading ? t("page.reading", { reading: rock.reading, spread: rock.spread }) : t("page.not_usable"));
  }
  put(byId("rock"), said.join("; "));
  const flags = rock?.flags ?? [];
  list(byId("flags"), flags.map((flag) => t(`flag.${flag.name}`)), (item, i) => {
    item.classList.toggle("disabling", flags[i].disabling);
  });
}

function element(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

function placeOf(deg, radius) {
  const angle = (deg * Math.PI) / 180;
  return [radius * Math.sin(angle), -radius * Math.cos(angle)];
}

let mapDrawn = "";
function drawMap(map, gear) {
  if (!map) return;
  const key = JSON.stringify([map, gear?.deg, gear?.target_deg, language]);
  if (key === mapDrawn) return;
  mapDrawn = key;
  const [inner, outer, middle] = [38, 76, 60];
  const drawn = [];
  const within = map.least && map.most && map.most.mm > map.least.mm;
  if (within) {
    for (const [radius, limit] of [[inner, map.least], [outer, map.most]]) {
      drawn.push(element("circle", { class: "limit", r: radius }));
      drawn.push(element("text", { x: 2, y: radius - 2, "text-anchor": "middle" }, limit.text));
    }
  } else drawn.push(element("circle", { class: "ring", r: middle }));
  const measured = map.marks.filter((mark) => mark.mm !== null).map((mark) => mark.mm);
  const mean = measured.reduce((sum, one) => sum + one, 0) / Math.max(measured.length, 1);
  const most = Math.max(...measured.map((one) => Math.abs(one - mean)), 1e-9);
  const radiusOf = (mm) => (within
    ? inner + ((outer - inner) * (mm - map.least.mm)) / (map.most.mm - map.least.mm)
    : middle + (16 * (mm - mean)) / most);
  if (map.teeth) {
    const ticks = Array.from({ length: map.teeth }, (_, i) => {
      const [a, b] = [placeOf((360 * i) / map.teeth, 86), placeOf((360 * i) / map.teeth, 91)];
      return `M${a.map((one) => one.toFixed(1))}L${b.map((one) => one.toFixed(1))}`;
    });
    drawn.push(element("path", { class: "teeth", d: ticks.join("") }));
    const eighths = [...new Set(Array.from({ length: 8 }, (_, i) => Math.round((i * map.teeth) / 8) % map.teeth))];
    for (const i of eighths) {
      const [x, y] = placeOf((360 * i) / map.teeth, 99);
      drawn.push(element("text", { class: i ? "" : "marked", x, y: y + 3, "text-anchor": "middle" }, String(i + 1)));
    }
  }
  for (const mark of map.marks) {
    const open = mark.mm === null;
    const wanted = open ? middle : radiusOf(mark.mm);
    const radius = Math.min(Math.max(wanted, 14), 84);
    const [x, y] = placeOf(mark.deg, radius);
    const outside = !open && within && (mark.mm < map.least.mm || mark.mm > map.most.mm);
    const kind = open ? "todo" : outside ? "outside" : "measured";
    const size = mark.confirming ? 3.6 : 3;
    if (mark.confirming || outside) {
      drawn.push(element("path", { class: kind, d: `M${x} ${y - size}L${x + size} ${y}L${x} ${y + size}L${x - size} ${y}Z` }));
    } else drawn.push(element("circle", { class: kind, cx: x, cy: y, r: size }));
  }
  if (map.tight) {
    const [x, y] = placeOf(map.tight.deg, 26);
    drawn.push(element("path", { class: "tight", d: `M${x} ${y - 7}L${x + 7} ${y}L${x} ${y + 7}L${x - 7} ${y}Z` }));
    const [a, b] = [placeOf(map.tight.deg, 34), placeOf(map.tight.deg, 84)];
    drawn.push(element("path", { class: "tight", d: `M${a}L${b}`, "stroke-dasharray": "2 3" }));
  }
  if (gear?.target_deg !== null && gear?.target_deg !== undefined) {
    const corners = [placeOf(gear.target_deg, 86), placeOf(gear.target_deg - 5, 74), placeOf(gear.target_deg + 5, 74)];
    drawn.push(element("path", { class: "next", d: `M${corners.join("L")}Z` }));
  }
  if (gear?.deg !== null && gear?.deg !== undefined) {
    drawn.push(element("path", { class: "here", d: `M${placeOf(gear.deg, 78)}L${placeOf(gear.deg, 94)}` }));
  }
  const svg = byId("map");
  svg.setAttribute("viewBox", "-108 -108 216 216");
  svg.replaceChildren(...drawn);
  const { tight } = map;
  put(byId("tight"), tight ? t("page.tight_spot", tight) : "");
  svg.setAttribute("aria-label", [t("page.map"), byId("tight").textContent].filter(Boolean).join(": "));
}

let traceDrawn = null;
function drawTrace(trace) {
  const svg = byId("trace");
  const key = trace ? `${JSON.stringify(trace)}${svg.clientWidth}x${svg.clientHeight}` : "";
  if (key === traceDrawn) return;
  traceDrawn = key;
  if (!trace) { svg.replaceChildren(); return; }
  const name = t(`page.trace_of_${trace.what}`, { number: trace.number });
  put(byId("trace-name"), name);
  svg.setAttribute("aria-label", name);
  const [width, height] = [Math.max(svg.clientWidth, 60), Math.max(svg.clientHeight, 30)];
  const seen = trace.low.map((low, i) => [i, low, trace.high[i]]).filter(([, low]) => low !== null);
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  if (!seen.length) { svg.replaceChildren(); return; }
  const low = Math.min(...seen.map((one) => one[1]));
  const high = Math.max(...seen.map((one) => one[2]));
  const pad = Math.max(0.1 * (high - low), 0.002);
  const down = (mm) => ((high + pad - mm) / (high - low + 2 * pad)) * height;
  const left = 70;
  const across = (i) => left + ((width - left) * i) / trace.parts;
  const drawn = trace.flanks.flatMap((flank) => [
    element("path", { class: "flank", d: `M${left} ${down(flank.mm)}H${width}` }),
    element("text", { x: left - 6, y: down(flank.mm) + 4, "text-anchor": "end" }, flank.text),
  ]);
  const above = seen.map(([i, , top]) => `${across(i).toFixed(1)} ${(down(top) - 0.8).toFixed(1)}`);
  const below = seen.map(([i, bottom]) => `${across(i).toFixed(1)} ${(down(bottom) + 0.8).toFixed(1)}`).reverse();
  drawn.push(element("path", { class: "band", d: `M${above.join("L")}L${below.join("L")}Z` }));
  svg.replaceChildren(...drawn);
}

// The largest letters with which the words have room.
function fit() {
  const words = byId("words");
  const stage = byId("do").getBoundingClientRect();
  const narrow = matchMedia("(max-width: 49.99rem)").matches;
  const room = stage.height - byId("beside").offsetHeight - (narrow ? byId("shape").getBoundingClientRect().height : 0) - 40;
  let [least, most] = [24, Math.max(stage.height, 60)];
  for (let step = 0; step < 9; step += 1) {
    const size = (least + most) / 2;
    words.style.setProperty("font-size", `${size}px`);
    const whole = words.scrollWidth <= words.clientWidth + 1 && words.offsetHeight <= room && !broken(words, size);
    if (whole) least = size; else most = size;
  }
  words.style.setProperty("font-size", `${Math.floor(least)}px`);
}

const ruler = document.createElement("canvas").getContext("2d");
function broken(words, size) {
  ruler.font = `800 ${size}px ${getComputedStyle(words).fontFamily}`;
  return words.textContent.split(/\s/).some((word) => ruler.measureText(word).width > words.clientWidth);
}

// Sound: short tones made here, no files. ---------------------------------------------------------------------------
const TONES = {
  arrived: [[660, 0, 0.18]],
  good: [[660, 0, 0.14], [990, 0.16, 0.24]],
  again: [[440, 0, 0.18], [330, 0.2, 0.3]],
  wanted: [[880, 0, 0.12], [880, 0.2, 0.12], [880, 0.4, 0.12]],
};
let audio = null;
let sounded = null;

function wakeAudio() {
  const Audio = window.AudioContext ?? window.webkitAudioContext;
  if (!Audio) return;
  audio ??= new Audio();
  audio.resume();
}

function play(name) {
  if (settings.muted || !audio || !(name in TONES)) return;
  for (const [hertz, from, length] of TONES[name]) {
    const [tone, gain] = [audio.createOscillator(), audio.createGain()];
    const start = audio.currentTime + from;
    tone.frequency.value = hertz;
    tone.type = "triangle";
    gain.gain.setValueAtTime(0, start);
    gain.gain.linearRampToValueAtTime(settings.volume, start + 0.01);
    gain.gain.setValueAtTime(settings.volume, start + length - 0.03);
    gain.gain.linearRampToValueAtTime(0, start + length);
    tone.connect(gain).connect(audio.destination);
    tone.start(start);
    tone.stop(start + length);
  }
}

function sound(tone) {
  if (!tone) return;
  const [number, name] = tone;
  if (sounded !== null && number > sounded) {
    play(name);
    document.body.dataset.tone = name; // seen by who tests, and by styles of whoever wants to
  }
  sounded = number;
}

let announced = "";
function announce(now, words) {
  const about = `${now.place ?? ""} ${now.words.key}`;
  if (about === announced) return;
  announced = about;
  byId("said").textContent = words;
  if (!settings.voice || !("speechSynthesis" in window)) return;
  speechSynthesis.cancel();
  const said = new SpeechSynthesisUtterance(words.toLocaleLowerCase(language));
  said.lang = language;
  said.volume = settings.muted ? 0 : settings.volume;
  speechSynthesis.speak(said);
}

// A screen that stays on. -------------------------------------------------------------------------------------------
let lock = null;
async function stayAwake() {
  if (!("wakeLock" in navigator)) return;
  try {
    if (settings.awake && document.visibilityState === "visible") lock ??= await navigator.wakeLock.request("screen");
    else if (!settings.awake) { await lock?.release(); lock = null; }
    lock?.addEventListener("release", () => { lock = null; });
  } catch { lock = null; }
}

// All together. -----------------------------------------------------------------------------------------------------
function age() {
  tellAge("page.gone_since", about && !about.may.length ? t("page.look_only") : "");
  allow();
}

for (const name of ["volume", "voice"]) setting(name);
setting("awake", stayAwake);
byId("mute").addEventListener("click", () => { settings.muted = !settings.muted; keep(); nameSettings(); });
byId("try").addEventListener("click", () => { wakeAudio(); play("good"); });
for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, wakeAudio);
document.addEventListener("visibilitychange", stayAwake);
new ResizeObserver(() => { fit(); traceDrawn = null; redraw(); }).observe(byId("do"));

nameSettings();
stayAwake();
setInterval(age, 500);
age();
follow(stand);
