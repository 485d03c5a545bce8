// The coach's page: one picked shot and one beside it, shown everywhere; filters; a cursor in time that moves it all.
(() => {
  const data = JSON.parse(document.getElementById("page-data").textContent);
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const by = (id) => document.getElementById(id);
  const shots = new Map(data.shots.map((shot) => [shot.key, shot]));
  const state = { picked: data.picked, beside: null, time: 0, kept: data.shots.filter((shot) => shot.shot), playing: null };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  let printing = false;
  const colours = (token) => {
    const [name, alpha] = token.split("/");
    const hex = data.palette[dark.matches && !printing ? "dark" : "light"][name];
    if (!alpha) return hex;
    return `rgba(${[1, 3, 5].map((start) => parseInt(hex.slice(start, start + 2), 16)).join(",")},${alpha})`;
  };
  const write = (value, decimals = 0, sign = false) => {
    const text = Math.abs(value).toFixed(decimals);
    const nothing = Number(text) === 0;
    const before = nothing ? "" : value < 0 ? data.texts["number.minus"] : sign ? "+" : "";
    return before + text.replace(".", data.texts["number.decimal"]);
  };
  const fill = (key, values) => data.texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);

  // Packed numbers.
  const unpack = (text, scale) => {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    return Array.from(new Int16Array(bytes.buffer), (value) => (value === -32768 ? NaN : value / scale));
  };
  const curveOf = (shot, name) => {
    if (!shot || !shot.curves[name]) return null;
    if (typeof shot.curves[name] === "string") {
      shot.curves[name] = { start: shot.start, step: 0.01, values: unpack(shot.curves[name], 10) };
    }
    return shot.curves[name];
  };
  const turnsOf = (shot) => {
    if (!shot || !shot.turns || !Object.keys(shot.turns.segments).length) return null;
    if (!shot.prepared) {
      const segments = Object.fromEntries(Object.entries(shot.turns.segments).map(([key, text]) => [key, unpack(text, 32000)]));
      shot.prepared = figure.prepare({ ...shot.turns, segments }, shot.lead);
    }
    return shot.prepared;
  };
  const name = (shot) => `${shot.title} · ${shot.recording}`;

  // Filters: what is kept, in all plots and in the table.
  const filters = all("[data-filter]");
  const filter = () => {
    const kept = data.shots.filter((shot) => filters.every((choice) => !choice.value || shot.filters[choice.dataset.filter] === choice.value));
    state.kept = kept;
    const keys = new Set(kept.map((shot) => shot.key));
    all("[data-row]").forEach((row) => { row.hidden = !keys.has(row.dataset.row); });
    by("shown-count").textContent = fill("coach.shown_count", { n: kept.length, all: data.shots.length });
    if (!keys.has(state.picked) && kept.length) state.picked = kept[0].key;
    show();
  };
  filters.forEach((choice) => {
    const key = choice.dataset.filter;
    const values = [...new Set(data.shots.map((shot) => shot.filters[key]).filter((value) => value !== null))];
    choice.append(new Option("–", ""), ...values.map((value) => new Option(value, value)));
    choice.closest("label").hidden = values.length < 2 && data.shots.every((shot) => shot.filters[key] !== null);
    choice.addEventListener("change", filter);
  });
  by("no-filter").addEventListener("click", () => { filters.forEach((choice) => { choice.value = ""; }); filter(); });

  // Picking: tables, plots, choices and keys all end here.
  const pick = (key, second) => {
    if (second) state.beside = state.beside === key || key === state.picked ? null : key;
    else {
      if (state.beside === key) state.beside = null;
      state.picked = key;
    }
    show();
  };
  const step = (distance) => {
    const keys = state.kept.map((shot) => shot.key);
    const place = Math.min(Math.max(keys.indexOf(state.picked) + distance, 0), keys.length - 1);
    if (keys[place]) pick(keys[place], false);
  };
  const choices = { shown: by("shown"), beside: by("beside") };
  choices.beside.append(new Option(data.texts["coach.none"], ""));
  data.shots.forEach((shot) => {
    choices.shown.append(new Option(name(shot), shot.key));
    choices.beside.append(new Option(name(shot), shot.key));
  });
  choices.shown.addEventListener("change", () => pick(choices.shown.value, false));
  choices.beside.addEventListener("change", () => { state.beside = choices.beside.value || null; show(); });
  all("[data-row]").forEach((row) => row.addEventListener("click", (event) => {
    pick(row.dataset.row, event.shiftKey || Boolean(event.target.closest("[data-lay]")));
  }));

  // Every shot in order.
  const measure = by("strip-measure");
  data.measures.forEach((one) => measure.append(new Option(one.unit ? `${one.label}, ${one.unit}` : one.label, one.name)));
  if (data.measures.some((one) => one.name === "chest_continuity")) measure.value = "chest_continuity";
  const over = (shot) => ["session", "task"].filter((key) => several[key] && shot.filters[key]).map((key) => shot.filters[key]).join(" · ");
  const under = (shot) => shot.filters.block || "";
  const several = Object.fromEntries(["session", "task"].map((key) => [key, new Set(data.shots.map((shot) => shot.filters[key])).size > 1]));
  const drawStrip = () => {
    const chosen = data.measures.find((one) => one.name === measure.value);
    if (!chosen) return;
    const items = state.kept.map((shot) => {
      const [value, se, text] = shot.values[chosen.name] || [null, null, ""];
      const mark = data.marks[shot.verdict];
      return { key: shot.key, value, se, colour: shot.shot ? mark.colour : "practice", path: mark.path, group: `${shot.recording} ${under(shot)}`, over: over(shot), under: under(shot), title: `${name(shot)}: ${text}` };
    });
    plots.strip(by("strip-plot"), items, state.picked, state.beside, (value) => write(value, decimals(value)), pick);
  };
  const decimals = (value) => (Math.abs(value - Math.round(value)) < 1e-6 ? 0 : Math.abs(10 * value - Math.round(10 * value)) < 1e-6 ? 1 : 2);
  measure.addEventListener("change", drawStrip);

  // Curves and the cursor.
  const lower = by("lower-curve");
  const upper = data.curves[0];
  data.curves.slice(1).forEach((one) => lower.append(new Option(one.unit ? `${one.label}, ${one.unit}` : one.label, one.name)));
  if (data.curves.some((one) => one.name === "wrist_flexion_deg")) lower.value = "wrist_flexion_deg";
  if (upper) by("upper-name").textContent = `${upper.label}, ${upper.unit}`;
  let drawn = [];
  const range = () => {
    const starts = [state.picked, state.beside].map((key) => shots.get(key)).filter(Boolean).map((shot) => shot.moments.takeaway ?? -1.1);
    return { start: Math.max(Math.min(...starts, -0.4) - 0.2, -2.5), end: 0.6 };
  };
  const drawCurves = () => {
    const { start, end } = range();
    const first = shots.get(state.picked);
    const moments = first ? ["takeaway", "top", "finish"].filter((key) => key in first.moments)
      .map((key) => ({ time: first.moments[key], name: data.texts[`coach.moment_${key}`] })) : [];
    const options = {
      start, end, moments, cursor: state.time, write,
      texts: { impact: data.texts["coach.moment_impact"], none: data.texts["coach.no_curve"] },
    };
    const lines = (curve) => [...new Set([...state.kept.filter((shot) => shot.shot), ...[state.beside, state.picked].map((key) => shots.get(key)).filter(Boolean)])]
      .map((shot) => ({
        key: shot.key, curve: curveOf(shot, curve), title: name(shot),
        style: shot.key === state.picked ? "first" : shot.key === state.beside ? "second" : "pale",
        colour: shot.key === state.beside ? "beside" : data.marks[shot.verdict].colour,
      }));
    drawn = [
      upper && plots.curves(by("upper"), lines(upper.name), { ...options, limits: upper.name === "chest_turn_rate_dps" ? data.limits : null }),
      lower.value && plots.curves(by("lower"), lines(lower.value), { ...options, moments: [] }),
    ];
    const slider = by("upper");
    slider.setAttribute("aria-valuemin", start.toFixed(2));
    slider.setAttribute("aria-valuemax", end.toFixed(2));
  };
  lower.addEventListener("change", drawCurves);
  const timeInWords = (time) => {
    if (Math.abs(time) < 0.005) return data.texts["coach.at_impact"];
    return fill(time < 0 ? "coach.before_impact" : "coach.after_impact", { time: write(Math.abs(time), 2) });
  };
  const setTime = (time) => {
    const { start, end } = range();
    state.time = Math.min(Math.max(time, start), end);
    drawn.forEach((plot) => plot && plot.move(state.time));
    const values = [upper, data.curves.find((one) => one.name === lower.value)].filter(Boolean).map((one) => {
      const curve = curveOf(shots.get(state.picked), one.name);
      const value = curve && plots.valueAt(curve, state.time);
      return value === null ? "" : `${one.label} ${write(value)}${one.unit.startsWith("°") && one.unit.length === 1 ? "" : "\u00a0"}${one.unit}`;
    });
    const words = [timeInWords(state.time), ...values.filter(Boolean)].join(" · ");
    by("now").textContent = words;
    const slider = by("upper");
    slider.setAttribute("aria-valuenow", state.time.toFixed(2));
    slider.setAttribute("aria-valuetext", words);
    drawFigure();
    correcting.show(shots.get(state.picked), state.time);
  };
  const KEYS = { ArrowRight: 0.01, ArrowUp: 0.01, ArrowLeft: -0.01, ArrowDown: -0.01, PageUp: 0.1, PageDown: -0.1 };
  const plainKey = (event) => !event.ctrlKey && !event.metaKey && !event.altKey;
  by("upper").addEventListener("keydown", (event) => {
    if (!plainKey(event)) return;
    if (event.key in KEYS) setTime(state.time + KEYS[event.key]);
    else if (event.key === "Home") setTime(-9);
    else if (event.key === "End") setTime(9);
    else if (event.key === "0") setTime(0);
    else if (event.key === " ") play();
    else return;
    event.preventDefault();
  });
  ["upper", "lower"].forEach((id, k) => {
    const place = by(id);
    const drag = (event) => { if (drawn[k]) setTime(drawn[k].timeAt(event.clientX)); };
    let pressed = null;
    place.addEventListener("pointerdown", (event) => {
      stop();
      pressed = { x: event.clientX, y: event.clientY, key: drawn[k] && drawn[k].nearest(event.clientX, event.clientY) };
      place.setPointerCapture(event.pointerId);
      drag(event);
      place.addEventListener("pointermove", drag);
    });
    const end = () => place.removeEventListener("pointermove", drag);
    place.addEventListener("pointerup", end);
    place.addEventListener("pointercancel", end);
    // A press that did not move picks the curve beside it.
    place.addEventListener("click", (event) => {
      const still = pressed && Math.hypot(event.clientX - pressed.x, event.clientY - pressed.y) <= 4;
      if (still && pressed.key && pressed.key !== state.picked) pick(pressed.key, event.shiftKey);
    });
  });
  by("strip-plot").addEventListener("keydown", (event) => {
    const steps = { ArrowRight: 1, ArrowLeft: -1, Home: -1e6, End: 1e6 };
    if (!(event.key in steps) || !plainKey(event)) return;
    event.preventDefault();
    step(steps[event.key]);
  });

  // The replay, an eighth as fast as the swing.
  const SPEED = 1 / 8;
  const stop = () => {
    state.playing = null;
    by("play").textContent = data.texts["coach.play"];
  };
  const play = () => {
    if (state.playing) { stop(); return; }
    const { start, end } = range();
    const from = state.time >= end - 0.02 ? start : state.time;
    const began = performance.now();
    const run = { from, began };
    state.playing = run;
    by("play").textContent = data.texts["coach.pause"];
    const tick = (now) => {
      if (state.playing !== run) return;
      const time = from + ((now - began) / 1000) * SPEED;
      setTime(time);
      if (time >= end) stop(); else requestAnimationFrame(tick);
    };
    requestAnimationFrame(tick);
  };
  by("play").addEventListener("click", play);

  // The figure.
  const canvas = by("figure");
  const space = canvas && figure.make(canvas, colours, data.texts["coach.target"]);
  const drawFigure = () => {
    if (!space) return;
    const first = shots.get(state.picked);
    const shown = [first, shots.get(state.beside)].map((shot) => ({ shot, prepared: turnsOf(shot) })).filter((one) => one.prepared);
    const missing = !turnsOf(first);
    by("no-turns").hidden = !missing;
    by("no-turns").textContent = data.texts["coach.no_figure_for_shot"];
    space.draw(shown.map(({ shot, prepared }) => ({
      prepared, colour: shot === first ? data.marks[shot.verdict].colour : "ink",
    })), state.time);
  };
  if (canvas) {
    all("[data-view]").forEach((button) => button.addEventListener("click", () => { space.look(button.dataset.view); drawFigure(); }));
    let last = null;
    canvas.addEventListener("pointerdown", (event) => { last = [event.clientX, event.clientY]; canvas.setPointerCapture(event.pointerId); });
    canvas.addEventListener("pointermove", (event) => {
      if (!last) return;
      space.orbit((event.clientX - last[0]) * 0.01, (event.clientY - last[1]) * 0.006);
      last = [event.clientX, event.clientY];
      drawFigure();
    });
    ["pointerup", "pointercancel"].forEach((kind) => canvas.addEventListener(kind, () => { last = null; }));
    canvas.addEventListener("keydown", (event) => {
      const turns = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] };
      if (!(event.key in turns) || !plainKey(event)) return;
      event.preventDefault();
      space.orbit(...turns[event.key]);
      drawFigure();
    });
  }

  // The numbers of the picked shot, and of the other one.
  const drawNumbers = () => {
    const [first, second] = [shots.get(state.picked), shots.get(state.beside)];
    if (!first) return;
    const cell = (kind, text, scope) => {
      const made = document.createElement(kind);
      made.textContent = text;
      if (scope) made.scope = scope;
      return made;
    };
    const row = (...cells) => { const made = document.createElement("tr"); made.append(...cells); return made; };
    const head = document.createElement("thead");
    head.append(row(cell("td", ""), cell("th", name(first), "col"), ...(second ? [cell("th", name(second), "col"), cell("th", "Δ", "col")] : [])));
    const body = document.createElement("tbody");
    data.measures.forEach((one) => {
      const [a, b] = [first.values[one.name], second && second.values[one.name]];
      if (!a && !b) return;
      const difference = a && b ? `${write(b[0] - a[0], one.decimals, true)}${one.unit.length > 1 || one.unit === "s" ? "\u00a0" : ""}${one.unit}` : "";
      body.append(row(cell("th", one.label, "row"), cell("td", a ? a[2] : "–"), ...(second ? [cell("td", b ? b[2] : "–"), cell("td", difference)] : [])));
    });
    by("numbers").replaceChildren(head, body);
  };

  // The table: sorted by a press on a heading, empty cells last.
  const table = by("swings");
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
    by("sorted").textContent = fill(up ? "table.sorted_up" : "table.sorted_down", { column: head.textContent });
  };
  if (table) {
    all("thead th", table).forEach((head, column) => head.querySelector("button").addEventListener("click", () => sortBy(head, column)));
    by("all-columns").addEventListener("change", () => table.classList.toggle("everything", by("all-columns").checked));
  }

  const correcting = corrections.make(data.shots, {
    texts: data.texts, fill, write, pick: (key) => pick(key, false),
    changed: (keys) => all("[data-row]").forEach((row) => row.classList.toggle("corrected", keys.has(row.dataset.row))),
  });

  const show = () => {
    choices.shown.value = state.picked || "";
    choices.beside.value = state.beside || "";
    all("[data-row]").forEach((row) => {
      row.classList.toggle("picked", row.dataset.row === state.picked);
      row.classList.toggle("laid", row.dataset.row === state.beside);
    });
    all("[data-pick]").forEach((button) => button.setAttribute("aria-pressed", button.dataset.pick === state.picked));
    all("[data-lay]").forEach((button) => button.setAttribute("aria-pressed", button.dataset.lay === state.beside));
    drawStrip();
    drawCurves();
    drawNumbers();
    setTime(state.time);
  };
  document.documentElement.classList.add("scripts");
  // After the first paint, so that the answer never waits for the plots.
  requestAnimationFrame(() => setTimeout(() => {
    filter();
    document.documentElement.classList.add("plots-ready");
  }, 0));
  let width = innerWidth;
  addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; show(); } });
  dark.addEventListener("change", show);
  addEventListener("beforeprint", () => { printing = true; show(); });
  addEventListener("afterprint", () => { printing = false; show(); });
})();
