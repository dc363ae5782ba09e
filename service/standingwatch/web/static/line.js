// Draws the chart of an antenna line and moves along it. The service makes the chart as a Vega-Lite specification;
// Vega draws it here, with expressions interpreted (ast), because the pages forbid eval. Without this script the
// page has the same numbers in a table, and its links move along the time.
"use strict";
(() => {
  const figure = document.getElementById("chart");
  const drawing = document.getElementById("drawing");
  const cursor = document.getElementById("cursor");
  const readout = document.getElementById("readout");
  if (!figure || !drawing) return;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  // Room for the axes left and right, and the padding; as in web/line_theme.py.
  const AXIS_PX = 62;
  let spec = null;
  let rows = [];
  let at = -1;
  let drawn = 0;
  let wanted = null;

  function fail(why) {
    drawing.textContent = "";
    const p = document.createElement("p");
    p.id = "failed";
    p.textContent = "The chart cannot be drawn (" + why + "). The table below has its numbers.";
    drawing.append(p);
  }

  async function load() {
    figure.classList.add("busy");
    try {
      const answer = await fetch(figure.dataset.from, { headers: { Accept: "application/json" } });
      if (!answer.ok) throw new Error("status " + answer.status);
      spec = await answer.json();
      rows = (spec.datasets.match || []).filter((row) => row.v !== null);
      if (typeof vegaEmbed !== "function") throw new Error("its library did not load");
      await draw();
    } catch (error) {
      fail(error.message);
    } finally {
      figure.classList.remove("busy");
    }
  }

  async function draw() {
    if (!spec) return;
    const number = ++drawn;
    const own = structuredClone(spec);
    const right = own.vconcat[0].resolve ? AXIS_PX : 14;
    const width = Math.max(180, figure.clientWidth - AXIS_PX - right - 14);
    for (const part of own.vconcat) part.width = width;
    const holder = document.createElement("div");
    const { view } = await vegaEmbed(holder, own, {
      ast: true,
      actions: false,
      defaultStyle: false,
      tooltip: false,
      renderer: "svg",
      config: own.usermeta.themes[dark.matches ? "dark" : "light"],
    });
    // Another size or scheme was asked for meanwhile.
    if (number !== drawn) return view.finalize();
    // The mark of what is dragged over is a picture of nothing: readers of the page need not hear of it.
    for (const mark of holder.querySelectorAll('svg [role]:not([aria-label]):not([aria-labelledby])')) {
      mark.removeAttribute("role");
      mark.setAttribute("aria-hidden", "true");
    }
    drawing.replaceChildren(holder);
    figure.dataset.drawn = number;
    drag(view);
  }

  // What is dragged over, with a mouse or a finger, is where the page goes. A finger that moves up or down scrolls
  // the page (touch-action in line.css), and the browser takes the drag back.
  function drag(view) {
    view.addSignalListener("drag", (_, value) => {
      const ends = value && Object.values(value)[0];
      wanted = ends && ends.length === 2 ? [Math.min(...ends), Math.max(...ends)] : null;
    });
  }

  // It may end outside of the chart.
  addEventListener("pointerup", () => {
    const chosen = wanted;
    wanted = null;
    if (!chosen || !spec) return;
    const [first, last] = domain();
    // A click is no drag: less than a hundredth of the width is none.
    if (chosen[1] - chosen[0] > (last - first) / 100) go(chosen[0], chosen[1]);
  });
  addEventListener("pointercancel", () => {
    wanted = null;
  });

  function go(from, to) {
    const query = new URLSearchParams({ from: new Date(from).toISOString() });
    query.set("to", new Date(to).toISOString());
    if (figure.dataset.way !== "swr") query.set("as", figure.dataset.way);
    location.assign(figure.dataset.page + "?" + query);
  }

  const domain = () => spec.usermeta.domain;

  // The ground of the first part, whose width is that of the time axis.
  function plot() {
    const boxes = [...drawing.querySelectorAll("path.background")].map((path) => path.getBoundingClientRect());
    return boxes.find((box) => box.width > 100 && box.height > 100);
  }

  const swr = (rho) => (rho >= 0.9999 ? "∞:1" : ((1 + rho) / (1 - rho)).toFixed(2) + ":1");
  const loss = (rho) => (rho > 0 ? (-20 * Math.log10(rho)).toFixed(1) : "∞") + " dB";

  function tell(index) {
    if (!rows.length) return;
    at = Math.max(0, Math.min(rows.length - 1, index));
    const row = rows[at];
    const k = spec.usermeta.to_antenna;
    const parts = [
      new Date(row.t).toISOString().slice(0, 16).replace("T", " ") + " UTC",
      "SWR " + swr(row.v) + " (return loss " + loss(row.v) + ") at the transmitter",
    ];
    if (k && row.v * k <= 1) parts.push(swr(row.v * k) + " (" + loss(row.v * k) + ") at the antenna");
    const power = (spec.datasets.power || []).find((one) => one.t === row.t);
    if (power) parts.push(power.v.toPrecision(3) + " W forward");
    for (const bar of spec.datasets.bars || []) if (bar.t <= row.t && row.t <= bar.t2) parts.push(bar.style);
    readout.textContent = parts.join(" · ");
    const box = plot();
    if (!box) return;
    const [first, last] = domain();
    const x = box.left - figure.getBoundingClientRect().left + ((row.t - first) / (last - first)) * box.width;
    cursor.style.left = x + "px";
    cursor.hidden = false;
  }

  function nearest(time) {
    let low = 0;
    let high = rows.length - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (rows[middle].t < time) low = middle + 1;
      else high = middle;
    }
    return low > 0 && time - rows[low - 1].t < rows[low].t - time ? low - 1 : low;
  }

  function readAt(event) {
    const box = spec && rows.length ? plot() : null;
    if (!box || event.clientX < box.left || event.clientX > box.right) return;
    const [first, last] = domain();
    tell(nearest(first + ((event.clientX - box.left) / box.width) * (last - first)));
  }
  figure.addEventListener("pointermove", readAt);
  // A finger that taps does not move.
  figure.addEventListener("pointerdown", readAt);

  figure.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key === "=" ? "+" : event.key;
    const along = event.shiftKey || key === "+" || key === "-";
    const link = along ? document.querySelector(`.way[data-key="${key}"]`) : null;
    if (link) {
      event.preventDefault();
      location.assign(link.href);
    } else if (spec && (key === "ArrowLeft" || key === "ArrowRight")) {
      event.preventDefault();
      tell(at < 0 ? rows.length - 1 : at + (key === "ArrowLeft" ? -1 : 1));
    }
  });

  dark.addEventListener("change", draw);
  let size = figure.clientWidth;
  let later = 0;
  new ResizeObserver(() => {
    if (figure.clientWidth === size) return;
    size = figure.clientWidth;
    clearTimeout(later);
    later = setTimeout(draw, 150);
  }).observe(figure);
  load();
})();
