// Plan coordinates along two edges of the map, and a bar of a round length.

const TICK_APART_PX = 80; // From one coordinate to the next, at the least.
const BAR_SHARE = 0.25; // Of the map's width that the bar of length is at the most.

// The least round length (1, 2, 5 times a power of ten) that is no shorter.
function roundUp(length) {
  const power = 10 ** Math.floor(Math.log10(length));
  return power * [1, 2, 5, 10].find((step) => step * power >= length * (1 - 1e-9));
}

// The greatest that is no longer.
function roundDown(length) {
  const power = 10 ** Math.floor(Math.log10(length));
  return power * [5, 2, 1].find((step) => step * power <= length * (1 + 1e-9));
}

// Multiples of a step between two ends.
function ticksBetween(low, high, step) {
  const first = Math.ceil(low / step - 1e-9);
  const count = Math.floor(high / step + 1e-9) - first + 1;
  return Array.from({ length: Math.max(count, 0) }, (_, k) => (first + k) * step);
}

function drawAxes(pen, map) {
  const { units, data } = map.model;
  const [wide, tall] = [map.canvas.width / map.dense, map.canvas.height / map.dense];
  const step = roundUp((TICK_APART_PX / map.px_per_m) / units.length_m);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const [low, high] = [map.place(0, tall), map.place(wide, 0)].map((at) =>
    at.map((own_m, axis) => (own_m + data.origin_m[axis]) / units.length_m),
  );
  pen.font = "11px system-ui, sans-serif";
  pen.textBaseline = "middle";
  for (const axis of [0, 1]) {
    pen.textAlign = axis === 0 ? "center" : "left";
    for (const value of ticksBetween(low[axis], high[axis], step)) {
      const own_m = value * units.length_m - data.origin_m[axis];
      const at = axis === 0 ? map.px(own_m, 0)[0] : map.px(0, own_m)[1];
      const [x, y] = axis === 0 ? [at, tall] : [0, at];
      // Beside the plan, where the page's own colour is read.
      pen.strokeStyle = getComputedStyle(map.canvas).color;
      pen.lineWidth = 1;
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(axis === 0 ? x : 6, axis === 0 ? y - 6 : y);
      pen.stroke();
      // Not where the other axis begins, nor past an edge.
      if (axis === 0 ? at < 40 || at > wide - 24 : at > tall - 24 || at < 8) continue;
      overPlan(pen, map, figure(value, decimals), axis === 0 ? at : 9, axis === 0 ? tall - 13 : at);
    }
  }
  drawBar(pen, map, wide, tall);
}

function drawBar(pen, map, wide, tall) {
  const { units } = map.model;
  const long = roundDown((BAR_SHARE * wide) / map.px_per_m / units.length_m);
  const px = long * units.length_m * map.px_per_m;
  const [right, y] = [wide - 12, tall - 30];
  for (const [colour, width] of [["#ffffff", 5], [map.ink, 2]]) {
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.beginPath();
    pen.moveTo(right - px, y - 4);
    pen.lineTo(right - px, y);
    pen.lineTo(right, y);
    pen.lineTo(right, y - 4);
    pen.stroke();
  }
  pen.textAlign = "right";
  const words = `${Number(long.toPrecision(3))} ${units.lengthUnit}, coordinates in ${units.lengthUnit}`;
  overPlan(pen, map, words, right, y - 12);
}

// Lettering that is read on any tone.
function overPlan(pen, map, words, x, y) {
  pen.lineJoin = "round";
  pen.lineWidth = 3.5;
  pen.strokeStyle = "#ffffff";
  pen.strokeText(words, x, y);
  pen.fillStyle = map.ink;
  pen.fillText(words, x, y);
}
