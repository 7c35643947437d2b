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

// Ticks and the bar; their words come back as names, so that none stands on another.
function drawAxes(pen, map) {
  const { units, data } = map.model;
  const [wide, tall] = [map.canvas.width / map.dense, map.canvas.height / map.dense];
  const step = roundUp(TICK_APART_PX / map.px_per_m / units.length_m);
  const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const [low, high] = [map.place(0, tall), map.place(wide, 0)].map((at) =>
    at.map((own_m, axis) => (own_m + data.origin_m[axis]) / units.length_m),
  );
  const names = [drawBar(pen, map, wide, tall)];
  pen.font = NAME_FONT;
  // Beside the plan, where the page's own colour is read.
  pen.strokeStyle = getComputedStyle(map.canvas).color;
  pen.lineWidth = 1;
  for (const axis of [0, 1]) {
    for (const value of ticksBetween(low[axis], high[axis], step)) {
      const own_m = value * units.length_m - data.origin_m[axis];
      const at = map.px(own_m, own_m)[axis];
      const words = figure(value, decimals);
      pen.beginPath();
      if (axis === 0) {
        pen.moveTo(at, tall);
        pen.lineTo(at, tall - 6);
        names.push([words, [at, tall - 15], 0]);
      } else {
        pen.moveTo(0, at);
        pen.lineTo(6, at);
        names.push([words, [12 + pen.measureText(words).width / 2, at], 0]);
      }
      pen.stroke();
    }
  }
  return names;
}

function drawBar(pen, map, wide, tall) {
  const { units } = map.model;
  const long = roundDown((BAR_SHARE * wide) / map.px_per_m / units.length_m);
  const px = long * units.length_m * map.px_per_m;
  const [right, y] = [wide - 12, tall - 32];
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
  pen.font = NAME_FONT;
  const words = `${Number(long.toPrecision(3))} ${units.lengthUnit}`;
  return [words, [right - pen.measureText(words).width / 2 - 3, y - 12], 0];
}
