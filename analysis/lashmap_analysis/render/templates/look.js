// Figures under the pointer and zoom for the charts. The page is whole without it.
(() => {
  "use strict";
  const tip = document.createElement("output");
  tip.className = "readout";
  tip.hidden = true;
  document.body.append(tip);
  document.querySelectorAll(".hint").forEach((hint) => { hint.hidden = false; });

  // Drawn points of a chart's curve, in its own pixels.
  const points = (svg) => {
    const curve = svg.querySelector("polyline.curve");
    if (curve) return Array.from(curve.points, (p) => [p.x, p.y]);
    const path = svg.querySelector("path.samples");
    if (!path) return [];
    const steps = path.getAttribute("d").match(/-?\d+/g).map(Number);
    const scale = Number(path.getAttribute("transform").match(/[\d.]+/)[0]);
    const found = [];
    let x = 0, y = 0;
    for (let i = 0; i + 1 < steps.length; i += 2) found.push([(x += steps[i]) * scale, (y += steps[i + 1]) * scale]);
    return found;
  };

  const words = (svg, x, y) => {
    const { kind, units, xZero, xStep, yZero, yStep, teeth, centre } = svg.dataset;
    const length = (pixel) => (Number(yZero) + pixel * Number(yStep)).toFixed(units === "in" ? 5 : 4) + " " + units;
    const across = Number(xZero) + x * Number(xStep);
    if (kind === "trace") return `${across.toFixed(3)} s, indicator ${length(y)}`;
    if (kind === "map") return `engagement ${Math.round(across)}: ${length(y)}`;
    const turn = (Math.atan2(x - centre, centre - y) / 2 / Math.PI + 1) % 1;
    return `gear ${(turn * 360).toFixed(1)}°, tooth ${Math.round(turn * teeth) % teeth}: ${length(Math.hypot(x - centre, y - centre))}`;
  };

  document.querySelectorAll("svg[data-kind]").forEach((svg) => {
    const whole = svg.getAttribute("viewBox").split(" ").map(Number);
    const near = points(svg);
    const dot = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    dot.setAttribute("class", "readout-dot");
    dot.setAttribute("r", "2.5");
    svg.tabIndex = 0;
    const place = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    const show = (box) => svg.setAttribute("viewBox", box.map((n) => Math.round(n * 100) / 100).join(" "));
    const now = () => svg.getAttribute("viewBox").split(" ").map(Number);
    const zoom = (factor, x, y) => {
      const [left, top, width, height] = now();
      const w = Math.min(whole[2], Math.max(whole[2] / 40, width * factor)), h = (w / whole[2]) * whole[3];
      const fit = (at, size, most) => Math.max(0, Math.min(most - size, at));
      show([fit(x - ((x - left) * w) / width, w, whole[2]), fit(y - ((y - top) * h) / height, h, whole[3]), w, h]);
    };
    const pan = (dx, dy) => {
      const [left, top, width, height] = now();
      show([Math.max(0, Math.min(whole[2] - width, left + dx)), Math.max(0, Math.min(whole[3] - height, top + dy)), width, height]);
    };
    const reset = () => show(whole);
    const hide = () => { tip.hidden = true; dot.remove(); };
    svg.addEventListener("pointermove", (event) => {
      if (event.buttons && document.activeElement === svg) {
        const scale = svg.getScreenCTM().a;
        pan(-event.movementX / scale, -event.movementY / scale);
      }
      if (!near.length) return;
      const at = place(event);
      const [x, y] = near.reduce((best, p) => (Math.hypot(p[0] - at.x, p[1] - at.y) < Math.hypot(best[0] - at.x, best[1] - at.y) ? p : best));
      dot.setAttribute("cx", x);
      dot.setAttribute("cy", y);
      svg.append(dot);
      tip.textContent = words(svg, x, y);
      tip.hidden = false;
      tip.style.left = `${Math.min(event.pageX + 14, document.documentElement.clientWidth - tip.offsetWidth - 4)}px`;
      tip.style.top = `${event.pageY + 16}px`;
    });
    svg.addEventListener("pointerleave", hide);
    svg.addEventListener("click", () => svg.focus());
    svg.addEventListener("focus", () => svg.closest("figure")?.classList.add("large"));
    svg.addEventListener("blur", () => { svg.closest("figure")?.classList.remove("large"); reset(); hide(); });
    svg.addEventListener("wheel", (event) => {
      if (document.activeElement !== svg) return; // the wheel scrolls the page until a chart is chosen
      event.preventDefault();
      const at = place(event);
      zoom(event.deltaY > 0 ? 1.25 : 0.8, at.x, at.y);
    }, { passive: false });
    svg.addEventListener("keydown", (event) => {
      const [left, top, width, height] = now();
      const act = {
        "+": () => zoom(0.8, left + width / 2, top + height / 2), "-": () => zoom(1.25, left + width / 2, top + height / 2),
        0: reset, Escape: () => svg.blur(),
        ArrowLeft: () => pan(-width / 8, 0), ArrowRight: () => pan(width / 8, 0),
        ArrowUp: () => pan(0, -height / 8), ArrowDown: () => pan(0, height / 8),
      }[event.key];
      if (act) { event.preventDefault(); act(); }
    });
    addEventListener("beforeprint", () => { reset(); hide(); });
  });
})();
