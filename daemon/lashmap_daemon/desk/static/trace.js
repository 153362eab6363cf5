// A trace (of a rock, a sweep, a pass) that is zoomed into down to its samples. The overview is there at once; what is finer is asked of the
// desk while the picture already moves, one request at a time and not more often than the desk allows.
const ASK_MS = 70;
const TELL_MS = 100; // texts that change with each frame cost more to paint than the trace
const LEAST_S = 0.004; // nobody needs less than a few samples
const GRIP = 0.5; // of a window on either side is asked for beyond it
const ENCODER_SHARE = 0.27; // of the height, beside an indicator; two encoders share it
const LEFT = 72, RIGHT = 10, TOP = 8, BOTTOM = 22;

const steps = [1, 2, 5];
function roundStep(span, most) {
  const power = 10 ** Math.floor(Math.log10(span / most));
  return power * (steps.find((one) => span / (one * power) <= most) ?? 10);
}
function ticks(low, high, most) {
  const step = roundStep(high - low, most);
  const found = [];
  for (let at = Math.ceil(low / step); at * step <= high + step * 1e-9; at += 1) found.push(at * step);
  return { found, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

export class TraceView {
  // canvas: where to draw. fetchStretch(channel, from, to, points) gives a Float64Array of times, then values.
  // tell(text): what stands under the cursor.
  constructor(canvas, about, fetchStretch, words) {
    this.canvas = canvas;
    this.about = about;
    this.fetchStretch = fetchStretch;
    this.words = words;
    this.from = 0;
    this.to = about.duration;
    this.cursor = null;
    this.sets = {}; // channel: [overview, finer]
    this.asking = false;
    this.askedMs = 0;
    this.drawn = false;
    this.telling = null;
    this.gone = false;
    this.frames = [];
    this.observer = new ResizeObserver(() => { this.redraw(); this.want(); });
    this.observer.observe(canvas);
    this.listen();
    this.want();
  }

  close() { this.gone = true; this.observer.disconnect(); }

  get width() { return Math.max(this.canvas.clientWidth - LEFT - RIGHT, 50); }

  // Data ------------------------------------------------------------------------------------------------------------
  best(channel) {
    const sets = this.sets[channel] ?? [];
    const covering = sets.filter((one) => one.from <= this.from + 1e-9 && one.to >= this.to - 1e-9);
    return covering.sort((one, other) => (one.to - one.from) - (other.to - other.from))[0] ?? sets[0] ?? null;
  }

  isFine(set) {
    if (!set || set.from > this.from + 1e-9 || set.to < this.to - 1e-9) return false;
    return set.whole || (set.to - set.from) <= (1 + 2 * GRIP) * (this.to - this.from) * 1.6 + 1e-9;
  }

  want() {
    if (this.gone || this.asking) return;
    const channel = this.about.channels.find((one) => !this.isFine(this.best(one)));
    if (!channel) return;
    this.asking = true;
    setTimeout(() => this.ask(channel), Math.max(0, this.askedMs + ASK_MS - performance.now()));
  }

  async ask(channel) {
    this.askedMs = performance.now();
    const all = !(this.sets[channel]?.length);
    const span = this.to - this.from;
    const from = all ? 0 : Math.max(0, this.from - GRIP * span);
    const to = all ? this.about.duration : Math.min(this.about.duration, this.to + GRIP * span);
    const points = Math.round(2 * this.width * (all ? 1 : (to - from) / span));
    try {
      const data = await this.fetchStretch(channel, from, to, points);
      const n = data.length / 2;
      const set = { from, to, whole: n < points - 2, t: data.subarray(0, n), v: data.subarray(n) };
      this.sets[channel] = all ? [set] : [this.sets[channel][0], set];
    } catch (error) {
      this.failed = String(error.message ?? error);
      this.gone = true;
    }
    this.asking = false;
    this.redraw();
    this.want();
  }

  // Moving ----------------------------------------------------------------------------------------------------------
  show(from, to) {
    const span = Math.min(Math.max(to - from, LEAST_S), this.about.duration);
    const start = Math.max(0, Math.min(from, this.about.duration - span));
    this.from = start;
    this.to = start + span;
    this.redraw();
    this.want();
  }

  zoom(factor, at = (this.from + this.to) / 2) {
    this.show(at - (at - this.from) * factor, at + (this.to - at) * factor);
  }

  pan(share) {
    const by = share * (this.to - this.from);
    this.show(this.from + by, this.to + by);
  }

  all() { this.show(0, this.about.duration); }

  time(x) { return this.from + ((x - LEFT) / this.width) * (this.to - this.from); }

  listen() {
    const canvas = this.canvas;
    const pointers = new Map();
    let pinch = null;
    canvas.addEventListener("wheel", (event) => {
      if (document.activeElement !== canvas && !event.ctrlKey) return; // the wheel scrolls until the trace is chosen
      event.preventDefault();
      const step = Math.exp(Math.max(-120, Math.min(120, event.deltaY)) * 0.0025);
      if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) this.pan(event.deltaX / this.width);
      else this.zoom(step, this.time(event.offsetX));
    }, { passive: false });
    canvas.addEventListener("pointerdown", (event) => {
      canvas.focus();
      canvas.setPointerCapture(event.pointerId);
      pointers.set(event.pointerId, event.offsetX);
      pinch = null;
    });
    canvas.addEventListener("pointermove", (event) => {
      if (pointers.has(event.pointerId)) {
        const before = pointers.get(event.pointerId);
        pointers.set(event.pointerId, event.offsetX);
        const xs = [...pointers.values()];
        if (xs.length === 1) this.pan((before - event.offsetX) / this.width);
        else {
          const apart = Math.max(Math.abs(xs[0] - xs[1]), 10);
          if (pinch) this.zoom(pinch / apart, this.time((xs[0] + xs[1]) / 2));
          pinch = apart;
        }
      }
      this.cursor = this.time(event.offsetX);
      this.redraw();
    });
    for (const name of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(name, (event) => { pointers.delete(event.pointerId); pinch = null; });
    }
    canvas.addEventListener("pointerleave", () => { if (document.activeElement !== canvas) { this.cursor = null; this.redraw(); } });
    canvas.addEventListener("dblclick", () => this.all());
    canvas.addEventListener("keydown", (event) => {
      const at = this.cursor ?? (this.from + this.to) / 2;
      const step = (this.to - this.from) / 40;
      const act = {
        "+": () => this.zoom(0.7, at), "=": () => this.zoom(0.7, at), "-": () => this.zoom(1 / 0.7, at), 0: () => this.all(),
        ArrowLeft: () => (event.shiftKey ? this.point(at - step) : this.pan(-0.12)),
        ArrowRight: () => (event.shiftKey ? this.point(at + step) : this.pan(0.12)),
        Home: () => this.show(0, this.to - this.from),
        End: () => this.show(this.about.duration - (this.to - this.from), this.about.duration),
      }[event.key];
      if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      act();
    });
  }

  point(at) {
    this.cursor = Math.max(this.from, Math.min(this.to, at));
    this.redraw();
  }

  // Drawing ---------------------------------------------------------------------------------------------------------
  redraw() {
    if (this.drawn || this.gone) return;
    this.drawn = true;
    requestAnimationFrame((now) => { this.drawn = false; this.frames.push(now); if (this.frames.length > 600) this.frames.shift(); this.draw(); });
  }

  draw() {
    const { canvas } = this;
    const ratio = window.devicePixelRatio || 1;
    const wide = canvas.clientWidth, high = canvas.clientHeight;
    if (canvas.width !== Math.round(wide * ratio)) canvas.width = Math.round(wide * ratio);
    if (canvas.height !== Math.round(high * ratio)) canvas.height = Math.round(high * ratio);
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, wide, high);
    const style = getComputedStyle(canvas);
    this.look = (name) => style.getPropertyValue(`--${name}`).trim();
    pen.font = `11px ${style.fontFamily}`;
    const shown = this.about.channels;
    const room = high - TOP - BOTTOM;
    const below = shown.length < 2 ? 0 : room * (shown.includes("indicator") ? ENCODER_SHARE : 0.5);
    this.axisOfTime(pen, high);
    const told = [];
    for (const channel of shown) {
      const lower = channel === shown[1];
      const top = lower ? TOP + room - below + 8 : TOP;
      told.push(this.panel(pen, channel, top, lower ? below - 8 : room - below));
    }
    this.tellSoon(this.cursor === null ? "" : [`${this.cursor.toFixed(4)} s`, ...told.filter(Boolean)].join(" · "));
  }

  tellSoon(text) {
    this.told = text;
    this.telling ??= setTimeout(() => {
      this.telling = null;
      if (this.gone) return;
      this.words.tell(this.told);
      this.words.window(this.from, this.to);
    }, TELL_MS);
  }

  axisOfTime(pen, high) {
    const { found, decimals } = ticks(this.from, this.to, Math.max(3, this.width / 90));
    pen.fillStyle = this.look("soft");
    pen.textBaseline = "alphabetic";
    pen.textAlign = "center";
    for (const at of found) {
      const x = LEFT + ((at - this.from) / (this.to - this.from)) * this.width;
      pen.fillText(`${at.toFixed(decimals)} s`, Math.min(Math.max(x, LEFT + 14), LEFT + this.width - 14), high - 6);
    }
  }

  panel(pen, channel, top, height) {
    const set = this.best(channel);
    const isLength = channel === "indicator";
    pen.fillStyle = this.look("plate");
    pen.fillRect(LEFT, top, this.width, height);
    if (!set) return "";
    const scale = this.width / (this.to - this.from);
    const { low, high } = this.range(set, isLength);
    const x = (t) => LEFT + (t - this.from) * scale;
    const y = (v) => top + height - ((v - low) / (high - low)) * height;
    const { found, decimals } = ticks(low, high, Math.max(2, height / 34));
    pen.strokeStyle = this.look("grid");
    pen.lineWidth = 1;
    pen.fillStyle = this.look("soft");
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    pen.beginPath();
    for (const tick of found) {
      const at = Math.round(y(tick)) + 0.5;
      pen.moveTo(LEFT, at);
      pen.lineTo(LEFT + this.width, at);
      pen.fillText(`${tick.toFixed(decimals)}${isLength ? "" : "°"}`, LEFT - 6, at);
    }
    pen.stroke();
    if (isLength) {
      pen.textAlign = "left";
      pen.fillText(this.words.unit, 2, top + 6);
    }
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, top, this.width, height);
    pen.clip();
    this.line(pen, set, x, y, isLength);
    if (isLength) this.dwells(pen, x, y);
    const near = this.near(set);
    if (this.cursor !== null) {
      pen.strokeStyle = this.look("soft");
      pen.setLineDash([2, 3]);
      pen.beginPath();
      pen.moveTo(x(this.cursor), top);
      pen.lineTo(x(this.cursor), top + height);
      pen.stroke();
      pen.setLineDash([]);
      if (near !== null) {
        pen.fillStyle = this.look("accent");
        pen.beginPath();
        pen.arc(x(set.t[near]), y(set.v[near]), 3.5, 0, 7);
        pen.fill();
      }
    }
    pen.restore();
    const name = this.words.channel(channel);
    pen.fillStyle = this.look("soft");
    pen.textAlign = "left";
    pen.textBaseline = "middle";
    pen.fillText(name, LEFT + 6, top + 10);
    if (near === null) return "";
    return isLength ? this.words.length(set.v[near]) : `${name} ${set.v[near].toFixed(4)}°`.trim();
  }

  range(set, isLength) {
    let low = Infinity, high = -Infinity;
    const { t, v } = set;
    for (let at = 0; at < t.length; at += 1) {
      if (t[at] < this.from || t[at] > this.to || Number.isNaN(v[at])) continue;
      if (v[at] < low) low = v[at];
      if (v[at] > high) high = v[at];
    }
    if (!(low <= high)) [low, high] = isLength ? [this.about.low, this.about.high] : [0, 1];
    const least = isLength ? this.words.least : 0.002;
    const pad = Math.max((high - low) * 0.06, (least - (high - low)) / 2, least * 0.1);
    return { low: low - pad, high: high + pad };
  }

  line(pen, set, x, y, isLength) {
    const { t, v } = set;
    pen.strokeStyle = this.look(isLength ? "curve" : "soft");
    pen.lineWidth = 1.25;
    pen.lineJoin = "round";
    pen.beginPath();
    let down = false, seen = 0;
    for (let at = 0; at < t.length; at += 1) {
      if (Number.isNaN(t[at])) { down = false; continue; }
      if (t[at + 1] < this.from || t[at - 1] > this.to) { down = false; continue; }
      if (down) pen.lineTo(x(t[at]), y(v[at]));
      else pen.moveTo(x(t[at]), y(v[at]));
      down = true;
      seen += 1;
    }
    pen.stroke();
    if (!set.whole || this.width / seen < 5) return;
    pen.fillStyle = this.look(isLength ? "curve" : "soft"); // so far apart each sample is a dot of its own
    for (let at = 0; at < t.length; at += 1) {
      if (t[at] < this.from || t[at] > this.to || Number.isNaN(t[at])) continue;
      pen.beginPath();
      pen.arc(x(t[at]), y(v[at]), 2, 0, 7);
      pen.fill();
    }
  }

  dwells(pen, x, y) {
    pen.strokeStyle = this.look("ink");
    for (const [start, end, level, high] of this.about.dwells) {
      if (end < this.from || start > this.to) continue;
      const tick = high ? 5 : -5;
      pen.lineWidth = 2.2;
      pen.beginPath();
      pen.moveTo(x(start), y(level));
      pen.lineTo(x(end), y(level));
      pen.stroke();
      pen.lineWidth = 1;
      pen.beginPath();
      for (const edge of [start, end]) { pen.moveTo(x(edge), y(level)); pen.lineTo(x(edge), y(level) + tick); }
      pen.stroke();
    }
  }

  near(set) {
    if (this.cursor === null) return null;
    let low = 0, high = set.t.length - 1, best = null;
    while (low <= high) { // times increase; nan stands between stretches
      let middle = (low + high) >> 1;
      while (middle < high && Number.isNaN(set.t[middle])) middle += 1;
      if (Number.isNaN(set.t[middle])) { high = ((low + high) >> 1) - 1; continue; }
      if (best === null || Math.abs(set.t[middle] - this.cursor) < Math.abs(set.t[best] - this.cursor)) best = middle;
      if (set.t[middle] < this.cursor) low = middle + 1;
      else high = ((low + high) >> 1) - 1;
    }
    return best;
  }
}
