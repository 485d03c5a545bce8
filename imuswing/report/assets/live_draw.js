// Light drawings on canvas for the live page: the chest's hill, the backswing's ruler, the wrist's curve.
"use strict";
const drawLive = (() => {
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  // A canvas cleared and scaled to the screen's own pixels; sizes in CSS pixels.
  function sheet(canvas) {
    const { width, height } = canvas.getBoundingClientRect();
    const dense = window.devicePixelRatio || 1;
    canvas.width = Math.round(width * dense);
    canvas.height = Math.round(height * dense);
    const pen = canvas.getContext("2d");
    pen.scale(dense, dense);
    pen.clearRect(0, 0, width, height);
    pen.font = "600 15px system-ui, sans-serif";
    pen.lineJoin = "round";
    return { pen, width, height };
  }

  function scale(low, high, from, to) {
    return (value) => from + ((value - low) / (high - low || 1)) * (to - from);
  }

  function line(pen, from, to, style, width = 1, dash = []) {
    pen.save();
    pen.strokeStyle = style;
    pen.lineWidth = width;
    pen.setLineDash(dash);
    pen.beginPath();
    pen.moveTo(...from);
    pen.lineTo(...to);
    pen.stroke();
    pen.restore();
  }

  function say(pen, text, x, y, { style = colour("ink"), align = "left" } = {}) {
    pen.fillStyle = style;
    pen.textAlign = align;
    pen.fillText(text, x, y);
  }

  // Stretches of a curve without holes, as lists of points on the screen.
  function stretches(time, values, x, y, [first, last]) {
    const found = [];
    let open = null;
    time.forEach((t, k) => {
      const inside = t !== null && t >= first && t <= last && values[k] !== null;
      if (inside && !open) found.push((open = []));
      if (inside) open.push([x(t), y(values[k])]);
      else open = null;
    });
    return found.filter((points) => points.length > 1);
  }

  function trace(pen, points) {
    pen.beginPath();
    points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  }

  function extent(time, values, [first, last], { least }) {
    const seen = values.filter((v, k) => v !== null && time[k] >= first && time[k] <= last);
    return [Math.min(...seen, ...least), Math.max(...seen, ...least)];
  }

  // The chest's turn rate through the ball: what it kept of its fastest is filled, what it lost is left open.
  function rate(canvas, shot, words) {
    const { pen, width, height } = sheet(canvas);
    const { time_s: time, chest_turn_rate_dps: values } = shot.curves;
    if (!time || !values || !values.some((v) => v !== null)) return say(pen, words.no_curve, 8, 30);
    const shown = [-0.3, 0.3];
    const peak = (shot.measures.chest_turn_rate_peak_dps || {}).value ?? null;
    const [low, high] = extent(time, values, shown, { least: [0, 60, peak ?? 60] });
    const x = scale(...shown, 8, width - 8);
    const y = scale(Math.min(low, -0.05 * high), 1.15 * high, height - 26, 8);
    pen.fillStyle = colour("band");
    pen.fillRect(x(-0.05), 8, x(0.15) - x(-0.05), height - 34);
    const ink = colour(shot.verdict || "unjudged");
    for (const points of stretches(time, values, x, y, shown)) {
      trace(pen, [[points[0][0], y(0)], ...points, [points[points.length - 1][0], y(0)]]);
      pen.globalAlpha = 0.3;
      pen.fillStyle = ink;
      pen.fill();
      pen.globalAlpha = 1;
      trace(pen, points);
      pen.strokeStyle = ink;
      pen.lineWidth = 4;
      pen.stroke();
    }
    line(pen, [8, y(0)], [width - 8, y(0)], colour("ink"));
    line(pen, [x(0), 8], [x(0), height - 26], colour("ink"), 1.5);
    say(pen, words.ball, x(0), height - 8, { align: "center" });
    if (peak !== null) {
      line(pen, [8, y(peak)], [width - 8, y(peak)], ink, 1.5, [3, 4]);
      say(pen, `${words.fastest} ${Math.round(peak)}`, 10, y(peak) + 17, { style: ink });
    }
  }

  // A straight ruler from nothing to 180 degrees: the agreed stretch is a box, the shot a mark with its doubt.
  function arc(canvas, estimate, band, words) {
    const { pen, width, height } = sheet(canvas);
    const value = estimate ? estimate.value : null;
    const middle = height / 2 + 8;
    const x = scale(0, 180, 14, width - 14);
    if (band) {
      const [low, high] = [band[0] ?? 0, band[1] ?? 180];
      pen.fillStyle = colour("band");
      pen.fillRect(x(low), middle - 16, x(high) - x(low), 32);
      pen.strokeStyle = colour("ink");
      pen.strokeRect(x(low), middle - 16, x(high) - x(low), 32);
      const under = x(low) > width / 2;
      say(pen, words.band, under ? x(high) : x(low), middle + 34, { style: colour("quiet"), align: under ? "right" : "left" });
    }
    line(pen, [x(0), middle], [x(180), middle], colour("quiet"), 1.5);
    for (const tick of [0, 90, 180]) {
      line(pen, [x(tick), middle - 6], [x(tick), middle + 6], colour("quiet"), 1.5);
    }
    if (value === null) return say(pen, words.no_curve, 14, middle - 26);
    const doubt = 1.96 * (estimate.se ?? 0);
    line(pen, [x(value - doubt), middle], [x(value + doubt), middle], colour("link"), 9);
    line(pen, [x(value), middle - 20], [x(value), middle + 20], colour("link"), 5);
    const beside = Math.min(Math.max(x(value), 30), width - 30);
    say(pen, `${Math.round(value)}°`, beside, middle - 26, { align: "center" });
  }

  // The lead wrist from address to the ball: flexed above the line of the flat wrist, extended below it.
  function wrist(canvas, shot, words) {
    const { pen, width, height } = sheet(canvas);
    const { time_s: time, wrist_flexion_deg: values } = shot.curves;
    if (!time || !values || !values.some((v) => v !== null)) return say(pen, words.no_curve, 8, 30);
    const of = (name) => (shot.measures[name] || {}).value ?? null;
    const down = of("downswing_s");
    const back = of("backswing_s");
    const first = down !== null && back !== null ? -(down + back) - 0.2 : -1.5;
    const shown = [Math.max(first, time[0]), 0.15];
    const [low, high] = extent(time, values, shown, { least: [-20, 20] });
    const x = scale(...shown, 8, width - 8);
    const y = scale(low - 6, high + 10, height - 34, 8);
    line(pen, [8, y(0)], [width - 8, y(0)], colour("quiet"), 1.5, [3, 4]);
    say(pen, words.flat, 10, y(0) - 5, { style: colour("quiet") });
    for (const points of stretches(time, values, x, y, shown)) {
      trace(pen, points);
      pen.strokeStyle = colour("link");
      pen.lineWidth = 4;
      pen.stroke();
    }
    const moments = [
      [words.address, down !== null && back !== null ? -(down + back) : null, of("wrist_flexion_address_deg")],
      [words.top, down !== null ? -down : null, of("wrist_flexion_top_deg")],
      [words.ball, 0, of("wrist_flexion_impact_deg")],
    ];
    for (const [name, when, value] of moments) {
      if (when === null || value === null) continue;
      pen.fillStyle = colour("sheet");
      pen.strokeStyle = colour("ink");
      pen.lineWidth = 2.5;
      pen.beginPath();
      pen.arc(x(when), y(value), 6, 0, 7);
      pen.fill();
      pen.stroke();
      const text = `${name} ${words.number(value)}°`;
      const half = pen.measureText(text).width / 2 + 4;
      // Away from the flat wrist's line and its word, as far as there is room.
      const over = y(value) - 14 > 16 && (value >= 0 || y(value) + 24 > height - 6);
      const at = over ? y(value) - 14 : y(value) + 24;
      say(pen, text, Math.min(Math.max(x(when), half), width - half), at, { align: "center" });
    }
  }

  // One sensor's newest turning as a thin trace.
  function pulse(canvas, trail) {
    const { pen, width, height } = sheet(canvas);
    const x = scale(0, Math.max(trail.length - 1, 1), 0, width);
    const y = scale(0, Math.max(200, ...trail), height - 2, 2);
    trace(pen, trail.map((value, k) => [x(k), y(value)]));
    pen.strokeStyle = colour("link");
    pen.lineWidth = 2;
    pen.stroke();
  }

  return { rate, arc, wrist, pulse };
})();
