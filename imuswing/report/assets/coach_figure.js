// The figure in space: chest, lead arm and club turned by quaternions, drawn with a projection of its own.
const figure = (() => {
  // Sizes in metres, for drawing only: nothing here is measured on the golfer.
  const TRUNK = 0.46, HALF_SHOULDERS = 0.19, HALF_HIPS = 0.14, NECK = 0.09, HEAD = 0.1, ARM = 0.56, HAND = 0.08;
  const CLUB = { least: 0.65, usual: 0.85, most: 1.15 };
  const HIPS = 0.92;
  const FORWARD = 0.3;
  // The shaft lies in the plane of fingers and thumb; how far it is turned towards the thumb is set for each shot so
  // that at impact it stands as a wedge does: 62° against the ground (from memory), within what a hand can hold.
  const LIE = Math.sin((62 * Math.PI) / 180);
  const HELD = { least: 10, most: 80 };
  const turn = (q, v) => {
    const [w, x, y, z] = q;
    const [a, b, c] = [2 * (y * v[2] - z * v[1]), 2 * (z * v[0] - x * v[2]), 2 * (x * v[1] - y * v[0])];
    return [v[0] + w * a + y * c - z * b, v[1] + w * b + z * a - x * c, v[2] + w * c + x * b - y * a];
  };
  const add = (a, b, scale = 1) => [a[0] + scale * b[0], a[1] + scale * b[1], a[2] + scale * b[2]];
  const at = (turns, point, time) => {
    const values = turns.segments[point];
    if (!values) return null;
    const place = (time - turns.start) / turns.step;
    const last = values.length / 4 - 1;
    const k = Math.min(Math.max(Math.floor(place), 0), last - 1);
    const share = Math.min(Math.max(place - k, 0), 1);
    // Neighbours have the same sign: straight lines between them, brought back to unit length, are near enough.
    const q = [0, 1, 2, 3].map((part) => (1 - share) * values[4 * k + part] + share * values[4 * k + 4 + part]);
    const size = Math.hypot(...q);
    return q.map((part) => part / size);
  };
  // Points of the body at a time; the chest turns about hips that stay where they are, the lead arm is drawn straight.
  const pose = (turns, lead, time, club, held) => {
    const chest = at(turns, "chest", time);
    const forearm = at(turns, "lead_forearm", time);
    const hand = at(turns, "lead_hand", time);
    const side = lead === "left" ? -1 : 1;
    const hips = [0, 0, HIPS];
    const q = chest || [Math.SQRT1_2, Math.SQRT1_2, 0, 0];
    const top = add(hips, turn(q, [0, TRUNK, 0]));
    const points = {
      hips, top, q,
      lead: add(top, turn(q, [0, 0, side * HALF_SHOULDERS])),
      trail: add(top, turn(q, [0, 0, -side * HALF_SHOULDERS])),
      neck: add(top, turn(q, [0, NECK, 0])),
      head: add(top, turn(q, [0.03, NECK + HEAD, 0])),
      front: add(add(hips, turn(q, [0, 0.72 * TRUNK, 0])), turn(q, [0.16, 0, 0])),
      breast: add(hips, turn(q, [0, 0.72 * TRUNK, 0])),
      worn: Boolean(chest),
    };
    const arm = forearm || hand;
    if (arm) {
      points.wrist = add(points.lead, turn(arm, [0, -1, 0]), ARM);
      points.elbow = add(points.lead, turn(arm, [0, -1, 0]), 0.52 * ARM);
    }
    if (arm && hand) {
      points.grip = add(points.wrist, turn(hand, [0, -1, 0]), HAND);
      const shaft = turn(hand, [0, -Math.cos(held), side * Math.sin(held)]);
      points.shaft = shaft;
      points.clubhead = add(points.grip, shaft, club);
    }
    return points;
  };
  const holdOf = (turns, lead) => {
    let best = (35 * Math.PI) / 180;
    let off = Infinity;
    for (let degrees = HELD.least; degrees <= HELD.most; degrees += 1) {
      const held = (degrees * Math.PI) / 180;
      const { shaft } = pose(turns, lead, 0, CLUB.usual, held);
      if (shaft && Math.abs(-shaft[2] - LIE) < off) { off = Math.abs(-shaft[2] - LIE); best = held; }
    }
    return best;
  };
  // The club is drawn so long that it reaches the ground, which is under the hips by a leg's length, at impact.
  const clubLength = (turns, lead, held) => {
    const points = pose(turns, lead, 0, CLUB.usual, held);
    if (!points.shaft || points.shaft[2] > -0.2) return CLUB.usual;
    return Math.min(Math.max(points.grip[2] / -points.shaft[2], CLUB.least), CLUB.most);
  };
  const prepare = (turns, lead) => {
    const held = holdOf(turns, lead);
    const club = clubLength(turns, lead, held);
    const trail = [];
    for (let time = turns.start; time < 0.5; time += turns.step) trail.push([time, pose(turns, lead, time, club, held).clubhead]);
    return { turns, lead, club, held, trail: trail.filter(([, point]) => point) };
  };
  const poseOf = (prepared, time) => pose(prepared.turns, prepared.lead, time, prepared.club, prepared.held);

  const VIEWS = { front: [0, 0.1], line: [-Math.PI / 2, 0.1], above: [0, 1.45] };
  const make = (canvas, colours, targetWord) => {
    const view = { yaw: 0, pitch: 0.1, side: 1 };
    const context = canvas.getContext("2d");
    let size = { width: 1, height: 1, scale: 1 };
    const project = (point) => {
      const [sin, cos] = [Math.sin(view.yaw), Math.cos(view.yaw)];
      // Seen from the front: for lead left, forward is −y and the target (x) lies to the viewer's right.
      const [x, y, z] = [point[0] * view.side, point[1] * view.side + FORWARD, point[2] - 0.78];
      const [right, away] = [view.side * (x * cos + y * sin), y * cos - x * sin];
      const [up, deep] = [z * Math.cos(view.pitch) + away * Math.sin(view.pitch), away * Math.cos(view.pitch) - z * Math.sin(view.pitch)];
      const near = 4 / (4 + deep);
      return [size.width / 2 + right * size.scale * near, size.height * 0.5 - up * size.scale * near, near];
    };
    const stroke = (points, width, colour, options = {}) => {
      context.beginPath();
      points.map(project).forEach(([x, y], k) => (k ? context.lineTo(x, y) : context.moveTo(x, y)));
      if (options.closed) context.closePath();
      context.lineWidth = width;
      context.lineCap = context.lineJoin = "round";
      context.setLineDash(options.dash || []);
      if (options.fill) { context.fillStyle = options.fill; context.fill(); }
      if (colour) { context.strokeStyle = colour; context.stroke(); }
      context.setLineDash([]);
    };
    const ball = (point, radius, fill, line) => {
      const [x, y, near] = project(point);
      context.beginPath();
      context.arc(x, y, radius * size.scale * near, 0, 2 * Math.PI);
      if (fill) { context.fillStyle = fill; context.fill(); }
      if (line) { context.lineWidth = 2; context.strokeStyle = line; context.stroke(); }
    };
    const ground = (ballAt) => {
      const rule = colours("rule");
      const forward = -view.side;
      for (let k = 0; k <= 4; k += 1) {
        const [x, y] = [0.45 * (k - 2), forward * (0.4 * k - 0.4)];
        stroke([[x, forward * -0.4, 0], [x, forward * 1.2, 0]], 1, rule);
        stroke([[-0.9, y, 0], [0.9, y, 0]], 1, rule);
      }
      const quiet = colours("quiet");
      const y = ballAt ? ballAt[1] : 0;
      stroke([[0.2, y, 0], [1.0, y, 0]], 2, quiet);
      stroke([[0.92, y - 0.05, 0], [1.0, y, 0], [0.92, y + 0.05, 0]], 2, quiet);
      const [textX, textY] = project([1.0, y, 0.06]);
      context.fillStyle = quiet;
      context.font = "13px system-ui, sans-serif";
      context.textAlign = "center";
      context.fillText(targetWord, textX, textY);
      if (ballAt) ball([ballAt[0], ballAt[1], 0.02], 0.025, colours("sheet"), colours("ink"));
    };
    const body = (prepared, time, look) => {
      const points = poseOf(prepared, time);
      const hip = (side) => [side * HALF_HIPS, 0, HIPS];
      const pale = look.pale;
      [-1, 1].forEach((side) => stroke([hip(side), [side * 0.19, 0, 0]], 5, pale));
      if (points.worn) {
        const trunk = [points.lead, points.trail, hip(prepared.lead === "left" ? -1 : 1), hip(prepared.lead === "left" ? 1 : -1)];
        stroke(trunk, 2.5, look.line, { closed: true, fill: look.fill, dash: look.dash });
        stroke([points.top, points.neck], 6, look.line);
        ball(points.head, HEAD, look.fill, look.line);
        stroke([points.breast, points.front], 3, look.line, { dash: look.dash });
        ball(points.front, 0.018, look.line);
      }
      if (points.grip) stroke([points.trail, points.grip], 3, pale);
      if (points.wrist) {
        stroke([points.lead, points.wrist], look.width, look.line, { dash: look.dash });
        ball(points.elbow, 0.02, look.line);
        ball(points.wrist, 0.028, colours("sheet"), look.line);
      }
      if (points.grip) {
        stroke([points.wrist, points.grip], look.width, look.line, { dash: look.dash });
        stroke([points.grip, points.clubhead], 3, look.line, { dash: look.dash });
        ball(points.clubhead, 0.03, look.line);
      }
    };
    const path = (prepared, time, colour) => {
      const passed = prepared.trail.filter(([when]) => when <= time && when >= time - 0.6).map(([, point]) => point);
      if (passed.length > 1) stroke(passed, 1.5, colour);
    };
    // shots: [{prepared, colour}] the first one solid, the second dashed behind it.
    const draw = (shots, time) => {
      const ratio = window.devicePixelRatio || 1;
      const [width, height] = [canvas.clientWidth, canvas.clientHeight];
      if (!width) return;
      canvas.width = width * ratio;
      canvas.height = height * ratio;
      context.setTransform(ratio, 0, 0, ratio, 0, 0);
      size = { width, height, scale: Math.min(width / 2.6, height / 2.25) };
      context.clearRect(0, 0, width, height);
      if (!shots.length) return;
      view.side = shots[0].prepared.lead === "left" ? 1 : -1;
      const impact = poseOf(shots[0].prepared, 0);
      ground(impact.clubhead);
      [...shots].reverse().forEach((shot) => {
        const second = shot !== shots[0];
        path(shot.prepared, time, colours(`${shot.colour}/0.6`));
        body(shot.prepared, time, {
          line: colours(shot.colour), pale: colours("rule"), fill: colours(second ? `${shot.colour}/0.06` : `${shot.colour}/0.2`),
          dash: second ? [6, 5] : [], width: second ? 4 : 7,
        });
      });
    };
    const look = (name) => { [view.yaw, view.pitch] = VIEWS[name]; };
    const orbit = (yaw, pitch) => {
      view.yaw += yaw;
      view.pitch = Math.min(Math.max(view.pitch + pitch, -0.2), 1.5);
    };
    return { draw, look, orbit };
  };
  return { make, prepare };
})();
