"use strict";
(() => {
  const data = JSON.parse(document.getElementById("page-data").textContent);
  const picked = { ...data.picked };
  const withPractice = new Set();
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const hovers = matchMedia("(hover: hover)").matches;
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const recordingOf = (key) => key.slice(0, key.indexOf("n"));
  const CONFIG = {
    displaylogo: false, displayModeBar: false, showSendToCloud: false, plotlyServerURL: "",
    responsive: true, scrollZoom: false, doubleClick: "reset",
  };
  let plotly = null;
  let printing = false;

  // Colours: tokens such as "@stalled/0.4" become the palette's colour for light or dark.
  const colour = (token) => {
    const [name, alpha] = token.slice(1).split("/");
    const hex = data.palette[dark.matches && !printing ? "dark" : "light"][name];
    if (!alpha) return hex;
    const parts = [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
    return `rgba(${parts.join(",")},${alpha})`;
  };
  const coloured = (value) => {
    if (typeof value === "string") return value.startsWith("@") ? colour(value) : value;
    if (Array.isArray(value)) return value.map(coloured);
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([key, inner]) => [key, coloured(inner)]));
    }
    return value;
  };

  // Plots: what always stands, and over it what belongs to the picked swing.
  const draw = (place) => {
    const plot = data.plots[place.dataset.plot];
    if (!plotly || !plot || !place.clientWidth) return;
    const recording = place.dataset.plot.split("-")[0];
    const over = plot.picked[picked[recording]] || { under: [], over: [], annotations: [] };
    const base = plot.base.filter((trace) => !trace.meta || !trace.meta.practice || withPractice.has(recording));
    const layout = coloured({ ...plot.layout, annotations: [...plot.layout.annotations, ...over.annotations] });
    layout.dragmode = hovers ? "zoom" : false;
    if (!hovers) layout.xaxis.fixedrange = true;
    const first = !place.classList.contains("drawn");
    if (first) place.replaceChildren();
    place.classList.add("drawn");
    plotly.react(place, coloured([...over.under, ...base, ...over.over]), layout, CONFIG);
    if (first) {
      place.on("plotly_click", (event) => {
        const point = event.points.find((candidate) => candidate.customdata || candidate.data.meta);
        if (point) pick(point.customdata || point.data.meta.key);
      });
    }
  };
  const drawAll = () => all("[data-plot]").forEach(draw);

  // Picking a swing: tiles, table, curves and keys all end here.
  const pick = (key) => {
    const recording = recordingOf(key);
    if (recording !== shownRecording()) showRecording(recording);
    picked[recording] = key;
    all("[data-for]").forEach((part) => {
      if (recordingOf(part.dataset.for) === recording) part.toggleAttribute("hidden", part.dataset.for !== key);
    });
    all(`input[name="pick-${recording}"]`).forEach((radio) => { radio.checked = radio.value === key; });
    markRow();
    all(`[data-plot^="${recording}-"]`).forEach(draw);
  };
  const markRow = () => {
    const current = picked[shownRecording()];
    all("[data-row]").forEach((row) => row.classList.toggle("picked", row.dataset.row === current));
    all("[data-pick]").forEach((button) => button.setAttribute("aria-pressed", button.dataset.pick === current));
  };
  const step = (recording, by) => {
    const keys = all(`input[name="pick-${recording}"]`).map((radio) => radio.value);
    const at = keys.indexOf(picked[recording]);
    const next = by === "first" ? 0 : by === "last" ? keys.length - 1 : Math.min(Math.max(at + by, 0), keys.length - 1);
    if (keys[next]) pick(keys[next]);
  };
  const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, Home: "first", End: "last" };

  // One recording at a time.
  const chooser = document.getElementById("recording");
  const shownRecording = () => (chooser ? chooser.value : Object.keys(data.picked)[0]);
  const showRecording = (recording) => {
    if (chooser) chooser.value = recording;
    all("div[data-recording]").forEach((part) => { part.hidden = part.dataset.recording !== recording; });
    markRow();
    drawAll();
  };

  // The table: sorted by a press on a heading, empty cells last.
  const table = document.getElementById("swings");
  const sortBy = (head, column) => {
    const up = head.getAttribute("aria-sort") !== "ascending";
    all("th[aria-sort]", table).forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    const value = (row) => {
      const cell = row.cells[column];
      const text = cell.dataset.sort ?? cell.textContent.trim();
      return text === "" ? null : Number.isNaN(Number(text)) ? text : Number(text);
    };
    const compare = (a, b) => {
      const [x, y] = [value(a), value(b)];
      if (x === null || y === null) return (x === null) - (y === null);
      const order = typeof x === "number" && typeof y === "number" ? x - y : String(x).localeCompare(String(y));
      return up ? order : -order;
    };
    table.tBodies[0].append(...[...table.tBodies[0].rows].sort(compare));
    const said = data.texts[up ? "table.sorted_up" : "table.sorted_down"];
    document.getElementById("sorted").textContent = said.replace("{column}", head.textContent);
  };

  const listen = () => {
    all("input[type=radio]").forEach((radio) => radio.addEventListener("change", () => pick(radio.value)));
    all("[data-row]").forEach((row) => row.addEventListener("click", () => pick(row.dataset.row)));
    all("[data-practice]").forEach((box) => box.addEventListener("change", () => {
      withPractice[box.checked ? "add" : "delete"](box.dataset.practice);
      drawAll();
    }));
    all("[data-save]").forEach((button) => button.addEventListener("click", () => {
      const place = document.querySelector(`[data-plot="${button.dataset.save}"]`);
      if (plotly && place.classList.contains("drawn")) {
        plotly.downloadImage(place, { format: "png", filename: "through-the-ball", scale: 2 });
      }
    }));
    all(".plotbox").forEach((box) => box.addEventListener("keydown", (event) => {
      if (!(event.key in STEPS) || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      step(box.firstElementChild.dataset.plot.split("-")[0], STEPS[event.key]);
    }));
    if (table) {
      all("thead th", table).forEach((head, column) => {
        head.querySelector("button").addEventListener("click", () => sortBy(head, column));
      });
      const everything = document.getElementById("all-columns");
      everything.addEventListener("change", () => table.classList.toggle("everything", everything.checked));
    }
    if (chooser) chooser.addEventListener("change", () => showRecording(chooser.value));
    dark.addEventListener("change", drawAll);
    const print = (on) => () => { printing = on; drawAll(); };
    addEventListener("beforeprint", print(true));
    addEventListener("afterprint", print(false));
  };

  // Plotly travels packed; the browser unpacks it here. Its script element is allowed by its hash in the page's policy.
  const unpack = async () => {
    const packed = Uint8Array.from(atob(document.getElementById("plotly-packed").textContent), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
    document.head.append(script);
    plotly = window.Plotly;
  };

  document.documentElement.classList.add("scripts");
  listen();
  if (shownRecording()) showRecording(shownRecording());
  if (Object.keys(data.plots).length === 0) return;
  if (typeof DecompressionStream === "undefined") {
    all("[data-plot]").forEach((place) => place.append(data.texts["page.no_unpack"]));
    return;
  }
  // After the first paint, so that the answer never waits for the plots.
  requestAnimationFrame(() => setTimeout(() => unpack().then(() => {
    drawAll();
    document.documentElement.classList.add("plots-ready");
  }), 0));
})();
