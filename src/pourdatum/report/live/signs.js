// Signs on the plan: areas by their outline, marks by a shape of their own, and a short name.

const LAYER_OF = {
  hump: "humps",
  high: "humps",
  nib: "humps",
  shot: "shots",
  spot: "shots",
  level: "shots",
  again: "shots",
  corner: "corners",
  edge: "edges",
  missed: "missed",
};

// Corners of each sign round its place, in shares of its half width; none is a circle.
const SHAPE_OF = {
  high: [[0, -1.2], [1.1, 0.8], [-1.1, 0.8]],
  nib: [[0, -1], [1, 0], [0, 1], [-1, 0]],
  again: [[-1, -1], [1, -1], [1, 1], [-1, 1]],
  corner: [[-1, -1], [1, -1], [1, 1], [-1, 1]],
  pin: Array.from({ length: 10 }, (_, k) => {
    const [turn, far] = [(k * Math.PI) / 5, k % 2 ? 0.55 : 1.4];
    return [far * Math.sin(turn), -far * Math.cos(turn)];
  }),
  level: [[-1, -1], [1, -1], [0, 1]],
  shot: [[-1, -1], [1, -1], [0, 1]],
};

const NAME_FONT = "600 12px system-ui, sans-serif";

function drawSigns(pen, map) {
  const { data } = map.model;
  const names = []; // Those that have one spot alone come first.
  for (const area of data.areas) {
    if (LAYER_OF[area.kind] && !map.shown.has(LAYER_OF[area.kind])) continue;
    drawArea(pen, map, area, data.place_step_m);
  }
  if (map.shown.has("batches")) names.push(...drawBatches(pen, map));
  for (const mark of data.marks) {
    if (mark.kind === "corner") continue; // Corners have a layer of their own, with every name.
    if (LAYER_OF[mark.kind] && !map.shown.has(LAYER_OF[mark.kind])) continue;
    const at = map.px(mark.place[0] * data.place_step_m, mark.place[1] * data.place_step_m);
    const bare = ["column", "zone", "opening"].includes(mark.kind);
    const hump = mark.kind === "high" ? humpAt(map, mark) : null;
    if (mark.kind === "hump" && map.shown.has("humps") && isHigh(map, mark)) continue;
    if (!bare) drawMark(pen, map, mark.kind, at, 6);
    if (mark.number !== null && mark.kind === "hump") names.push([String(mark.number), at, 0, true]);
    else if (mark.text && mark.kind !== "column") {
      const text = hump === null ? mark.text : `${hump} ${mark.text}`;
      names.push([text, at, mark.kind === "zone" ? 0 : 10]);
    }
  }
  if (map.shown.has("pins")) {
    for (const [[x, y], name] of data.pins ?? []) {
      const at = map.px(x * data.place_step_m, y * data.place_step_m);
      drawMark(pen, map, "pin", at, 4);
      names.push([name, at, 7]);
    }
  }
  if (map.shown.has("corners")) {
    for (const corner of data.corners) {
      const at = map.px(corner.x_m, corner.y_m);
      drawMark(pen, map, "corner", at, 4);
      names.push([corner.name, at, 8]);
    }
  }
  names.push(...drawAxes(pen, map));
  drawNames(pen, map, names);
}

// A hump whose top is the high point has that one's sign, with its number before the name.
function humpAt(map, high) {
  const found = map.model.data.marks.find((mark) => mark.kind === "hump" && near(map, mark, high));
  return found ? found.number : null;
}

function isHigh(map, hump) {
  return map.model.data.marks.some((mark) => mark.kind === "high" && near(map, mark, hump));
}

function near(map, one, other) {
  const away = [0, 1].map((axis) => one.place[axis] - other.place[axis]);
  return Math.hypot(...away) * map.model.data.place_step_m * map.px_per_m < 8;
}

function drawArea(pen, map, area, step_m) {
  pen.strokeStyle = map.ink;
  pen.setLineDash(area.kind === "hump" || area.kind === "unsure" ? [4, 3] : []);
  pen.lineWidth = area.kind === "edge" ? 3 : 1.2;
  if (area.line) {
    drawLine(pen, map, points(area.line, step_m), area.kind);
    return;
  }
  map.trace(pen, area.rings.map((ring) => points(ring, step_m)));
  if (area.kind === "column" || area.kind === "opening") {
    pen.fillStyle = area.kind === "column" ? "#8b8d92" : "#ffffff";
    pen.fill("evenodd");
  }
  if (area.kind === "missed") drawBare(pen, map);
  pen.stroke();
  pen.setLineDash([]);
}

// Lines over the area that was traced last, as on paper, on a light ground.
function drawBare(pen, map) {
  const [wide, tall] = [map.canvas.width / map.dense, map.canvas.height / map.dense];
  pen.save();
  pen.clip("evenodd");
  pen.fillStyle = "#ffffff";
  pen.fillRect(0, 0, wide, tall);
  const lines = new Path2D();
  for (let x = -tall; x < wide; x += 6) {
    lines.moveTo(x, tall);
    lines.lineTo(x + tall, 0);
  }
  pen.lineWidth = 1;
  pen.stroke(lines);
  pen.restore();
  pen.lineWidth = 2.5;
}

function drawLine(pen, map, line, kind) {
  // A light line under a dark one is seen on any tone.
  for (const [colour, more, dash] of [
    ["#ffffff", 2, []],
    [map.ink, 0, kind === "crack" ? [5, 3] : []],
  ]) {
    pen.beginPath();
    line.forEach(([x, y], k) => {
      if (k === 0) pen.moveTo(...map.px(x, y));
      else pen.lineTo(...map.px(x, y));
    });
    pen.strokeStyle = colour;
    pen.setLineDash(dash);
    pen.lineWidth = (kind === "edge" ? 3 : 1.5) + more;
    pen.stroke();
  }
  pen.setLineDash([]);
}

// Draws where batches meet; their names.
function drawBatches(pen, map) {
  const { batches, place_step_m } = map.model.data;
  for (const [colour, wide] of [["#ffffff", 2.4], [map.ink, 1]]) {
    pen.beginPath();
    for (const [[x0, y0], [x1, y1]] of map.borders) {
      pen.moveTo(...map.px(x0, y0));
      pen.lineTo(...map.px(x1, y1));
    }
    pen.strokeStyle = colour;
    pen.lineWidth = wide;
    pen.stroke();
  }
  return batches.places.map(([x, y], k) => [
    String(k + 1),
    map.px(x * place_step_m, y * place_step_m),
    0,
  ]);
}

function drawMark(pen, map, kind, [x, y], half) {
  pen.beginPath();
  const shape = SHAPE_OF[kind];
  if (shape) {
    shape.forEach(([dx, dy], k) => {
      if (k === 0) pen.moveTo(x + dx * half, y + dy * half);
      else pen.lineTo(x + dx * half, y + dy * half);
    });
    pen.closePath();
  } else {
    pen.arc(x, y, kind === "hump" ? 8 : half, 0, 2 * Math.PI);
  }
  pen.fillStyle = kind === "hump" ? "#ffffff" : map.ink;
  pen.strokeStyle = kind === "hump" ? map.ink : "#ffffff";
  pen.lineWidth = 1.2;
  pen.fill();
  pen.stroke();
}

// Names beside their places, those that come first first; one that would lie on another is left.
function drawNames(pen, map, names) {
  const taken = [];
  const [wide, tall] = [map.canvas.width / map.dense, map.canvas.height / map.dense];
  pen.font = NAME_FONT;
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.lineJoin = "round";
  for (const [text, [x, y], off, aside = false] of names) {
    const half = pen.measureText(text).width / 2 + 2;
    const spots = off === 0 ? [[x, y], ...(aside ? [[x + 8 + half, y]] : [])] : [
      [x + off + half, y],
      [x - off - half, y],
      [x, y - off - 8],
      [x, y + off + 8],
    ];
    const free = ([u, v]) =>
      u - half >= 0 && u + half <= wide && v >= 8 && v <= tall - 8 &&
      taken.every(([a, b, c]) => Math.abs(u - a) > half + c || Math.abs(v - b) > 14);
    const spot = spots.find(free);
    if (!spot) continue;
    taken.push([...spot, half]);
    pen.strokeStyle = "#ffffff";
    pen.lineWidth = 3.5;
    pen.strokeText(text, ...spot);
    pen.fillStyle = map.ink;
    pen.fillText(text, ...spot);
  }
}

function drawSectionLine(pen, map) {
  drawLine(pen, map, map.section, "section");
  map.section.forEach(([x, y], k) => {
    const at = map.px(x, y);
    drawMark(pen, map, "end", at, 5);
    drawNames(pen, map, [[k === 0 ? "from" : "to", at, 8]]);
  });
}

// Where the reading is taken: a ring and a cross, light under dark.
function drawCursor(pen, map) {
  const [x, y] = map.px(...map.cursor);
  for (const [colour, wide] of [["#ffffff", 4.5], [map.ink, 2]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = wide;
    pen.beginPath();
    pen.arc(x, y, 9, 0, 2 * Math.PI);
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      pen.moveTo(x + 4 * dx, y + 4 * dy);
      pen.lineTo(x + 15 * dx, y + 15 * dy);
    }
    pen.stroke();
  }
}
