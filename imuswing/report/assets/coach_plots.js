"use strict";
// Small SVG plots: every shot in order for one measure, and curves laid over one another with a cursor in time.
const plots = (() => {
  const NS = "http://www.w3.org/2000/svg";
  const REACH = 14;
  const MARGIN = { left: 52, right: 12, top: 20, bottom: 26 };
  const node = (name, attributes, text) => {
    const made = document.createElementNS(NS, name);
    Object.entries(attributes || {}).forEach(([key, value]) => { if (value !== null) made.setAttribute(key, value); });
    if (text !== undefined) made.textContent = text;
    return made;
  };
  // Round steps for about `count` ticks between two numbers.
  const ticks = (low, high, count) => {
    const least = Math.max((high - low) / count, 1e-9);
    const size = 10 ** Math.floor(Math.log10(least));
    const step = [1, 2, 5, 10].map((factor) => factor * size).find((candidate) => candidate >= least);
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9; k += 1) found.push(k * step);
    return { step, found };
  };
  const begin = (place, low, high, start, end) => {
    const width = Math.max(place.clientWidth - 24, 240);
    const height = Number(place.dataset.height || 230);
    const svg = node("svg", { viewBox: `0 0 ${width} ${height}`, width, height, "aria-hidden": "true" });
    const x = (value) => MARGIN.left + ((value - start) / (end - start)) * (width - MARGIN.left - MARGIN.right);
    const y = (value) => MARGIN.top + ((high - value) / (high - low)) * (height - MARGIN.top - MARGIN.bottom);
    const time = (at) => start + ((at - MARGIN.left) / (width - MARGIN.left - MARGIN.right)) * (end - start);
    return { svg, x, y, time, width, height, floor: height - MARGIN.bottom };
  };
  const grid = (frame, low, high, write) => {
    ticks(low, high, 5).found.forEach((value) => {
      const y = frame.y(value);
      const strong = Math.abs(value) < 1e-9 ? " zero" : "";
      frame.svg.append(node("path", { d: `M${MARGIN.left} ${y}H${frame.width - MARGIN.right}`, class: `grid${strong}` }));
      frame.svg.append(node("text", { x: MARGIN.left - 6, y: y + 4, "text-anchor": "end" }, write(value)));
    });
  };

  // items: {key, value, se, colour, path, group, over, under}; picked, beside: keys.
  const strip = (place, items, picked, beside, write, pick) => {
    const known = items.filter((item) => item.value !== null);
    const reach = known.flatMap((item) => [item.value - 1.96 * (item.se || 0), item.value + 1.96 * (item.se || 0)]);
    if (!reach.length) { place.replaceChildren(); return; }
    const room = Math.max(Math.max(...reach) - Math.min(...reach), 1e-3);
    const [low, high] = [Math.min(...reach) - 0.06 * room, Math.max(...reach) + 0.06 * room];
    const frame = begin(place, low, high, -0.7, items.length - 0.3);
    grid(frame, low, high, write);
    // Names of stretches: the visit above, the block below, each as far as it fits.
    const stretch = (key, height, k) => {
      if (!items[k][key] || (k > 0 && items[k - 1].group === items[k].group)) return;
      if (k > 0 && key === "over" && items[k - 1].over === items[k].over) return;
      let last = k;
      while (last + 1 < items.length && items[last + 1][key] === items[k][key]) last += 1;
      const text = items[k][key];
      const fits = Math.floor((frame.x(last + 0.5) - frame.x(k - 0.5) - 4) / (frame.width < 420 ? 5.9 : 7));
      const words = text.length > fits ? `${text.slice(0, Math.max(fits - 1, 1))}…` : text;
      frame.svg.append(node("text", { x: frame.x(k - 0.5) + 3, y: height, class: "groupname" }, words));
    };
    items.forEach((item, k) => {
      if (k > 0 && item.group !== items[k - 1].group) {
        const top = item.over === items[k - 1].over ? MARGIN.top : MARGIN.top - 14;
        frame.svg.append(node("path", { d: `M${frame.x(k - 0.5)} ${top}V${frame.floor + 18}`, class: "edge" }));
      }
      stretch("over", 11, k);
      stretch("under", frame.floor + 16, k);
      if (item.value === null) return;
      const [x, y] = [frame.x(k), frame.y(item.value)];
      const group = node("g", { class: `point ${item.colour}`, "data-point": item.key });
      if (item.se) {
        const bar = `M${x} ${frame.y(item.value - 1.96 * item.se)}V${frame.y(item.value + 1.96 * item.se)}`;
        group.append(node("path", { d: bar, class: "errorbar" }));
      }
      if (item.key === picked || item.key === beside) {
        group.append(node("circle", { cx: x, cy: y, r: 12, class: item.key === picked ? "ring" : "ring second" }));
      }
      group.append(node("path", { d: item.path, transform: `translate(${x - 6.4} ${y - 6.4}) scale(.8)`, class: "markshape" }));
      group.append(node("rect", { x: x - 12, y: MARGIN.top, width: 24, height: frame.floor - MARGIN.top, class: "catch" }));
      group.append(node("title", {}, item.title));
      group.addEventListener("click", (event) => pick(item.key, event.shiftKey));
      frame.svg.append(group);
    });
    place.replaceChildren(frame.svg);
  };

  const valueAt = (curve, time) => {
    const place = (time - curve.start) / curve.step;
    const k = Math.floor(place);
    const value = curve.values[k] + (place - k) * (curve.values[k + 1] - curve.values[k]);
    return Number.isFinite(value) ? value : null;
  };
  const path = (frame, curve, start, end) => {
    let d = "";
    let drawing = false;
    curve.values.forEach((value, k) => {
      const time = curve.start + k * curve.step;
      if (Number.isNaN(value) || time < start || time > end) { drawing = false; return; }
      d += `${drawing ? "L" : "M"}${frame.x(time).toFixed(1)} ${frame.y(value).toFixed(1)}`;
      drawing = true;
    });
    return d;
  };
  // lines: {key, curve, style: "pale" | "first" | "second", colour}; drawn pale ones first.
  const curves = (place, lines, options) => {
    const { start, end, limits, cursor, moments, write, texts } = options;
    const chosen = lines.filter((line) => line.curve);
    const inside = chosen.flatMap((line) => line.curve.values.filter((value, k) => {
      const time = line.curve.start + k * line.curve.step;
      return !Number.isNaN(value) && time >= start && time <= end;
    }));
    if (!inside.length) { place.replaceChildren(Object.assign(document.createElement("p"), { className: "quiet", textContent: texts.none })); return null; }
    const [least, most] = inside.reduce(([a, b], value) => [Math.min(a, value), Math.max(b, value)], [0, 0]);
    const room = Math.max(most - least, 10);
    const [low, high] = [least - 0.06 * room, most + 0.06 * room];
    const frame = begin(place, low, high, start, end);
    if (limits) {
      const from = frame.x(-limits.before);
      frame.svg.append(node("rect", { x: from, y: MARGIN.top, width: frame.x(limits.after) - from, height: frame.floor - MARGIN.top, class: "through" }));
    }
    grid(frame, low, high, write);
    const step = end - start > 1.6 ? 0.4 : 0.2;
    for (let k = Math.ceil(start / step); k * step <= end + 1e-9; k += 1) {
      const label = k === 0 ? texts.impact : write(k * step, 1, true);
      frame.svg.append(node("text", { x: frame.x(k * step), y: frame.height - 8, "text-anchor": "middle" }, label));
    }
    frame.svg.append(node("path", { d: `M${frame.x(0)} ${MARGIN.top}V${frame.floor}`, class: "impact" }));
    const order = { pale: 0, second: 1, first: 2 };
    [...chosen].sort((a, b) => order[a.style] - order[b.style]).forEach((line) => {
      const drawn = node("path", { d: path(frame, line.curve, start, end), class: `${line.style} ${line.colour}` });
      drawn.dataset.line = line.key;
      if (line.title) drawn.append(node("title", {}, line.title));
      frame.svg.append(drawn);
    });
    moments.filter((moment) => moment.time > start && moment.time < end).forEach((moment) => {
      frame.svg.append(node("path", { d: `M${frame.x(moment.time)} ${MARGIN.top}v8`, class: "moment" }));
      frame.svg.append(node("text", { x: frame.x(moment.time), y: MARGIN.top - 6, "text-anchor": "middle" }, moment.name));
    });
    const line = node("path", { class: "cursor" });
    frame.svg.append(line);
    place.replaceChildren(frame.svg);
    const move = (time) => line.setAttribute("d", `M${frame.x(time).toFixed(1)} ${MARGIN.top}V${frame.floor}`);
    move(cursor);
    const scale = () => frame.width / Math.max(frame.svg.getBoundingClientRect().width, 1);
    const timeAt = (clientX) => frame.time((clientX - frame.svg.getBoundingClientRect().left) * scale());
    // The shot whose curve passes nearest to a point of the screen, within a finger's reach; those on top come first.
    const nearest = (clientX, clientY) => {
      const time = timeAt(clientX);
      const y = (clientY - frame.svg.getBoundingClientRect().top) * scale();
      let best = { key: null, off: REACH };
      [...chosen].sort((a, b) => order[b.style] - order[a.style]).forEach((line) => {
        const value = valueAt(line.curve, time);
        const off = value === null ? Infinity : Math.abs(frame.y(value) - y);
        if (off < best.off - 0.5) best = { key: line.key, off };
      });
      return best.key;
    };
    return { move, timeAt, nearest };
  };
  return { strip, curves, valueAt };
})();
