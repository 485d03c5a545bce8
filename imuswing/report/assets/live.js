// The live page: shows what the recorder tells, sends what the coach taps. It computes no measure.
"use strict";
(() => {
  const page = JSON.parse(document.getElementById("page-data").textContent);
  const find = (id) => document.getElementById(id);
  const text = (key, values = {}) =>
    (page.texts[key] ?? key).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  const number = (value, decimals = 0) => {
    const written = Math.abs(value).toFixed(decimals);
    const sign = value < 0 && Number(written) !== 0 ? text("minus") : "";
    return sign + written.replace(".", text("decimal"));
  };
  const decimalsOf = (value) => {
    let decimals = 2;
    while (decimals < 4 && page.limits.some((limit) => value !== limit && value.toFixed(decimals) === limit.toFixed(decimals))) decimals += 1;
    return decimals;
  };
  const words = { number };
  for (const key of ["no_curve", "ball", "fastest", "top", "address", "band", "flat"]) words[key] = text(key);

  const NOTICE_MS = 12000;
  const TRAIL = 120;

  let state, socket = null, retry = 500, view = "start";

  function fresh() {
    return { hello: null, shots: new Map(), outcomes: new Map(), steps: new Map(), block: null, trails: new Map(), last: null, revealed: null, ended: false };
  }

  const send = (command) => {
    if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(command));
    else alarm(text("gone"));
  };

  function make(tag, { classes = "", ...rest } = {}, ...children) {
    const made = document.createElement(tag);
    made.className = classes;
    for (const [name, value] of Object.entries(rest)) {
      if (name === "onclick") made.addEventListener("click", value);
      else if (value !== null && value !== undefined) made.setAttribute(name, value);
    }
    made.append(...children);
    return made;
  }

  function mark(verdict) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    const path = document.createElementNS(space, "path");
    svg.setAttribute("viewBox", "0 0 16 16");
    svg.setAttribute("class", "mark");
    svg.setAttribute("aria-hidden", "true");
    path.setAttribute("d", page.shapes[verdict || "unjudged"]);
    path.setAttribute("fill", "currentColor");
    svg.append(path);
    return svg;
  }

  // --- views and messages at the top

  function show(name) {
    view = name;
    for (const part of document.querySelectorAll(".view")) part.hidden = part.id !== name;
    for (const button of document.querySelectorAll("nav [data-view]")) {
      button.setAttribute("aria-pressed", String(button.dataset.view === name));
    }
    find("thumb").hidden = name !== "shots" || state.ended;
    if (name === "shots") paint();
  }

  let alarmEnds = 0, lasting = "";
  function alarm(sentence, lasts = NOTICE_MS) {
    const line = find("alert");
    line.textContent = sentence;
    line.hidden = false;
    clearTimeout(alarmEnds);
    if (lasts) alarmEnds = setTimeout(() => (lasting ? alarm(lasting, 0) : (line.hidden = true)), lasts);
  }

  // --- sensors

  function levels(message) {
    const list = find("sensors");
    for (const level of message.sensors) {
      let item = list.querySelector(`[data-point="${level.point}"]`);
      if (!item) {
        item = make("li", { "data-point": level.point }, make("canvas", { "aria-hidden": "true" }), make("span", { classes: "name" }, text(`point.${level.point}`)), make("small"));
        list.append(item);
      }
      const told = text(`sensor_${level.state}`, { value: number(level.silent_s, 0) });
      if (item.dataset.state !== level.state || item.lastChild.textContent !== told) {
        item.dataset.state = level.state;
        item.lastChild.textContent = told;
      }
      const trail = [...(state.trails.get(level.point) ?? []), ...level.trace_dps].slice(-TRAIL);
      state.trails.set(level.point, trail);
      if (trail.length > 1) drawLive.pulse(item.firstChild, trail);
    }
    liveSound.whenQuiet(Math.max(0, ...message.sensors.map((level) => level.turning_dps ?? 0)), find("sound").checked);
  }

  // --- the routine

  function routine(message) {
    state.steps = new Map(message.steps.map((step) => [step.step, step]));
    find("calibrated").textContent = message.calibrated ? text("calibrated", { from: message.calibrated }) : text("uncalibrated");
    steps();
  }

  function steps() {
    const list = find("steps");
    const kept = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.action : null;
    list.replaceChildren(...[...state.steps.values()].map(stepItem));
    if (kept) list.querySelector(`[data-action="${kept}"]`)?.focus();
  }

  function stepItem(step) {
    const act = (action) => make("button", { type: "button", "data-action": `${action}-${step.step}`, onclick: () => send({ type: "step", action, step: step.step }) }, text(action));
    const buttons = { next: ["start", "skip"], doing: ["end", "redo"], good: ["redo"], redo: ["start", "skip"], skipped: ["start"] }[step.state];
    const bar = make("progress", { max: 1, value: step.share, "aria-label": text(`state_${step.state}`) });
    return make(
      "li",
      { classes: step.state },
      make("h3", {}, text(`step.${step.step}`), make("span", { classes: "is" }, text(`state_${step.state}`))),
      ...(step.state === "good" || step.state === "skipped" ? [] : [make("p", {}, text(`todo.${step.step}`))]),
      ...(step.state === "doing" ? [bar, make("p", { classes: "sign", role: "status" }, signOf(step))] : []),
      ...(step.state === "redo" && step.reason ? [make("p", { classes: "sign" }, text(`reason_${step.reason}`, { value: number(step.off_deg ?? 0, 0) }))] : []),
      make("div", { classes: "row" }, ...buttons.map(act)),
    );
  }

  function signOf(step) {
    if (step.sign === "turning" && step.needed === null) return text("sign_turning_alone");
    return text(`sign_${step.sign}`, { value: number(step.seconds ?? 0, 1), count: step.repetitions ?? 0, needed: step.needed });
  }

  // --- shots

  const estimate = (shot, name) => shot.measures[name] ?? { value: null, se: null };

  function shotCame(shot) {
    const is_new = !state.shots.has(shot.number);
    state.shots.set(shot.number, shot);
    if (is_new || shot.number === state.last) state.last = Math.max(shot.number, state.last ?? 0);
    if (is_new && shot.sound && shot.shown && shot.verdict) liveSound.ask(shot.verdict);
    if (is_new && view === "routine" && shot.sound) show("shots");
    paint();
  }

  const held = (shot) => !shot.shown && state.revealed !== shot.number;

  function paint() {
    if (view !== "shots") return;
    const shot = state.shots.get(state.last);
    find("plots").hidden = !shot || held(shot);
    find("anyway").hidden = !shot || !held(shot);
    if (shot) card(shot);
    // In the same frame as the word: a hidden canvas has no size yet.
    if (shot && !held(shot)) plots(shot);
    earlier();
    outcomes();
  }

  function card(shot) {
    const verdict = find("verdict");
    const named = text(shot.kind === "practice" ? "swing" : "shot", { n: shot.number });
    find("which").textContent = [named, shot.kind === "practice" ? text("practice") : null, shot.revised ? text("revised") : null].filter(Boolean).join(" · ");
    if (held(shot)) {
      verdict.className = "unjudged";
      verdict.textContent = text("held", { n: shot.number });
      find("told").textContent = text("held_read");
    } else {
      verdict.className = shot.verdict || "unjudged";
      verdict.replaceChildren(mark(shot.verdict), text(shot.verdict || "unjudged"));
      find("told").textContent = toldOf(shot);
    }
    verdict.dataset.shot = shot.number;
  }

  function toldOf(shot) {
    const { value, se } = estimate(shot, "chest_continuity");
    const told = [];
    if (value !== null) told.push(text(se === null ? "continuity_alone" : "continuity", { value: number(value, decimalsOf(value)), error: number(se ?? 0, 2) }));
    const p = shot.stall_probability;
    if (p !== null && p > 0.1 && p < 0.9) told.push(text("unsure"));
    return told.join(", ");
  }

  function plots(shot) {
    drawLive.rate(find("rate"), shot, words);
    const arc = estimate(shot, "backswing_arc_deg");
    const band = state.hello.bands.backswing_arc_deg;
    find("arc-figure").hidden = arc.value === null && !band;
    if (!find("arc-figure").hidden) drawLive.arc(find("arc"), arc, band, words);
    const inside = shot.in_band.backswing_arc_deg;
    const told = [arc.value === null ? text("no_curve") : text(arc.se === null ? "degrees_alone" : "degrees", { value: number(arc.value), error: number(arc.se ?? 0) })];
    if (inside !== undefined) told.push(text(inside ? "in_band" : "outside"));
    describe("arc", told.join(", "));
    find("wrist-figure").hidden = !(shot.curves.wrist_flexion_deg ?? []).some((value) => value !== null);
    if (!find("wrist-figure").hidden) drawLive.wrist(find("wrist"), shot, words);
    const moments = ["address", "top", "impact"].map((moment) => [moment, estimate(shot, `wrist_flexion_${moment}_deg`).value]);
    describe("wrist", moments.filter(([, value]) => value !== null).map(([moment, value]) => `${text(moment === "impact" ? "ball" : moment)} ${number(value)}°`).join(", "));
    describe("rate", [text(shot.verdict || "unjudged"), toldOf(shot)].filter(Boolean).join(", "));
  }

  function describe(name, told) {
    const canvas = find(name);
    canvas.dataset.title ??= canvas.getAttribute("aria-label");
    canvas.setAttribute("aria-label", `${canvas.dataset.title}: ${told}`);
  }

  function earlier() {
    const others = [...state.shots.values()].filter((shot) => shot.number !== state.last).reverse();
    find("earlier-title").hidden = others.length === 0;
    find("earlier").replaceChildren(
      ...others.slice(0, 60).map((shot) => {
        const shown = held(shot) ? null : shot.verdict;
        const outcome = state.outcomes.get(shot.number);
        const said = [shot.kind === "practice" ? text("practice") : null, outcome].filter(Boolean).join(" · ");
        const look = () => {
          state.last = shot.number;
          state.revealed = shot.number;
          paint();
          scrollTo(0, 0);
        };
        return make("li", { value: shot.number }, make("button", { type: "button", classes: shown || "unjudged", onclick: look }, mark(shown), `${shot.number} ${text(shown || "unjudged")}`, ...(said ? [make("small", {}, ` ${said}`)] : [])));
      }),
    );
  }

  function summary(message) {
    const verdict = find("verdict");
    const total = message.numbers.length;
    find("which").textContent = text("summary", { n: total });
    verdict.className = "counts";
    verdict.replaceChildren(
      ...["turning", "slowing", "stalled"].map((name) =>
        make("span", { classes: name }, mark(name), `${text(name)} ${text("of", { count: message.counts[name] ?? 0, n: total })}`),
      ),
    );
    find("told").textContent = "";
    find("anyway").hidden = true;
  }

  // --- outcomes, blocks, notes

  function outcomes() {
    const shots = [...state.shots.values()].filter((shot) => shot.kind === "shot");
    const shot = shots.find((one) => one.number === state.last) ?? shots[shots.length - 1];
    find("outcome-of").textContent = shot ? text("outcome_of", { n: shot.number }) : text("no_shot");
    const noted = shot ? state.outcomes.get(shot.number) : null;
    find("outcomes").replaceChildren(
      ...(state.hello ? state.hello.outcomes : []).map((outcome) =>
        make("button", { type: "button", "aria-pressed": String(noted === outcome), ...(shot ? {} : { disabled: "" }), onclick: () => send({ type: "outcome", number: shot.number, outcome: noted === outcome ? null : outcome }) }, outcome),
      ),
    );
  }

  function block() {
    const now = state.block;
    const place = find("blocks");
    const choose = (name, label) => make("button", { type: "button", "aria-pressed": String((now ? now.name : null) === name), onclick: () => send({ type: "block", name, intent: now && name ? now.intent : null }) }, label);
    place.replaceChildren(...state.hello.blocks.map((name) => choose(name, name)), choose(null, place.dataset.end));
    const told = [now && now.name ? text("block", { name: now.name }) : text("no_block"), now && now.intent ? text("intent", { name: now.intent }) : null];
    find("state").textContent = told.filter(Boolean).join(" · ");
    find("intents").replaceChildren(
      ...(state.hello.intents ?? []).map((intent) => make("button", { type: "button", "aria-pressed": String(Boolean(now && now.intent === intent)), onclick: () => setIntent(intent) }, intent)),
    );
  }

  const setIntent = (intent) => send({ type: "block", name: (state.block && state.block.name) || state.hello.blocks[0], intent });

  function form(id, field, done) {
    find(id).addEventListener("submit", (event) => {
      event.preventDefault();
      const value = find(field).value.trim();
      if (!value) return;
      done(value);
      find(field).value = "";
    });
  }

  // --- what the recorder tells

  const HEARD = {
    hello(message) {
      const revealed = state ? state.revealed : null;
      state = { ...fresh(), hello: message, revealed };
      find("sensors").replaceChildren();
      find("who").lastChild.textContent = `sub-${message.participant} · ses-${message.session} · ${message.task}`;
      find("replay").hidden = message.replay_speed === null;
      if (message.resumed) alarm(find("replay").dataset.resumed ?? "");
      find("calibrated").textContent = message.calibrated ? text("calibrated", { from: message.calibrated }) : text("uncalibrated");
      block();
      outcomes();
      show(view);
    },
    routine,
    step(message) {
      state.steps.set(message.step, message);
      steps();
    },
    levels,
    notice(message) {
      alarm(text(message.kind, { point: text(`point.${message.point}`) }));
    },
    shot: shotCame,
    summary,
    block(message) {
      state.block = message;
      block();
    },
    outcome(message) {
      if (message.outcome) state.outcomes.set(message.number, message.outcome);
      else state.outcomes.delete(message.number);
      paint();
    },
    undone(message) {
      state.shots.delete(message.number);
      state.outcomes.delete(message.number);
      state.last = state.shots.size ? Math.max(...state.shots.keys()) : null;
      if (state.last === null) location.reload();
      alarm(text("undone", { n: message.number }), 4000);
      paint();
    },
    noted() {
      alarm(text("noted"), 3000);
    },
    feedback(message) {
      find("mode").value = message.mode;
      find("every").value = message.every;
    },
    problem(message) {
      if (message.lasts !== null) lasting = message.lasts ? message.text : "";
      alarm(message.text, message.lasts ? 0 : NOTICE_MS);
    },
    ended(message) {
      state.ended = true;
      find("thumb").hidden = true;
      alarm(text("ended", { n: message.shots }), 0);
    },
  };

  function connect() {
    socket = new WebSocket(`ws://${location.host}/live`);
    socket.addEventListener("open", () => {
      retry = 500;
      find("alert").hidden = true;
    });
    socket.addEventListener("message", (event) => {
      const message = JSON.parse(event.data);
      HEARD[message.type]?.(message);
    });
    socket.addEventListener("close", () => {
      if (state.ended) return;
      alarm(text("gone"), 0);
      setTimeout(connect, retry);
      retry = Math.min(2 * retry, 5000);
    });
  }

  // --- taps

  for (const button of document.querySelectorAll("[data-view]")) button.addEventListener("click", () => show(button.dataset.view));
  find("go").addEventListener("click", () => show(state.steps.size && ![...state.steps.values()].every((step) => step.state === "good" || step.state === "skipped") && state.shots.size === 0 ? "routine" : "shots"));
  find("anyway").addEventListener("click", () => {
    state.revealed = state.last;
    paint();
  });
  find("undo").addEventListener("click", ({ currentTarget }) => {
    send({ type: "undo", number: state.last });
    currentTarget.disabled = true; // A tap that bounces must not take out the shot before as well.
    setTimeout(() => (currentTarget.disabled = false), 1000);
  });
  const chooseMode = () => send({ type: "feedback", mode: find("mode").value, every: Math.min(Math.max(Math.round(Number(find("every").value)) || 5, 1), 100) });
  find("mode").addEventListener("change", chooseMode);
  find("every").addEventListener("change", chooseMode);
  find("try").addEventListener("click", () => ["turning", "slowing", "stalled"].forEach((verdict, k) => liveSound.play(verdict, 1.1 * k)));
  find("sound").addEventListener("change", liveSound.wake);
  form("intent-form", "intent", setIntent);
  form("note-form", "note", (value) => send({ type: "note", text: value }));
  find("finish").addEventListener("click", (event) => {
    const button = event.currentTarget;
    if (button.dataset.armed) return send({ type: "finish" });
    button.dataset.armed = "yes";
    const label = button.textContent;
    button.textContent = button.dataset.sure;
    setTimeout(() => {
      delete button.dataset.armed;
      button.textContent = label;
    }, 4000);
  });
  addEventListener("resize", paint);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  // A phone that sleeps between shots shows nothing; where the browser lets us, it stays awake.
  const stayAwake = () => navigator.wakeLock?.request("screen").catch(() => undefined);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && stayAwake());
  stayAwake();

  state = fresh();
  show("start");
  alarm(text("connecting"), 0);
  connect();
})();
