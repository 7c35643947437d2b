// A cut through the floor between two places: floor, datum, and what the material allows.

const LEAST_STEPS = 240;

// Readings along a line, two to a cell or more, null where it leaves the floor.
function alongLine(model, [x0, y0], [x1, y1]) {
  const cells = Math.hypot(x1 - x0, y1 - y0) / model.floor.cell_m;
  const steps = Math.max(LEAST_STEPS, Math.ceil(2 * cells));
  return Array.from({ length: steps + 1 }, (_, k) => {
    const share = k / steps;
    return model.at(x0 + share * (x1 - x0), y0 + share * (y1 - y0));
  });
}

// What a cut shows, in a sentence.
function sectionWords(model, readings, long_m) {
  const { units } = model;
  const known = readings.filter((one) => one !== null);
  if (known.length === 0) return "No floor lies on this line.";
  const depths = known.map((one) => one.depth_m ?? one.off_m);
  const mean = depths.reduce((sum, one) => sum + one, 0) / depths.length;
  return (
    `Section of ${units.length(long_m)}. ${nameOfMain(model)}: ` +
    `${span(units.height(Math.min(...depths)), units.height(Math.max(...depths)))}, ` +
    `mean ${units.height(mean)}.`
  );
}

// Draws it; heights are stretched, and said to be.
function drawSection(canvas, model, readings, long_m) {
  const wide = canvas.parentElement.clientWidth;
  const tall = 190;
  const dense = Math.min(window.devicePixelRatio || 1, MOST_PX);
  canvas.width = Math.round(wide * dense);
  canvas.height = Math.round(tall * dense);
  canvas.style.height = `${tall}px`;
  const pen = canvas.getContext("2d");
  const colours = getComputedStyle(canvas);
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  const lines = sectionLines(model, readings);
  const all = lines.flatMap((line) => line.values.filter((one) => one !== null));
  if (all.length === 0) return;
  const { units } = model;
  let [low, high] = [Math.min(...all), Math.max(...all)];
  const spare = Math.max(0.08 * (high - low), 0.5 * units.height_m);
  [low, high] = [low - spare, high + spare];
  const [left, right, top, bottom] = [58, wide - 12, 12, tall - 34];
  const u = (k) => left + ((right - left) * k) / (readings.length - 1);
  const v = (value) => bottom - ((bottom - top) * (value - low)) / (high - low);
  pen.font = "12px system-ui, sans-serif";
  pen.fillStyle = colours.color;
  pen.strokeStyle = colours.color;
  pen.textBaseline = "middle";
  pen.textAlign = "right";
  for (const tick of ticks(low / units.height_m, high / units.height_m, 5)) {
    const y = v(tick * units.height_m);
    pen.fillText(figure(tick, tick % 1 === 0 ? 0 : 2), left - 8, y);
    pen.fillRect(left - 4, y, 4, 1);
  }
  pen.textAlign = "left";
  pen.fillText(units.heightUnit, 4, top + 2);
  pen.textBaseline = "alphabetic";
  pen.textAlign = "center";
  for (const tick of ticks(0, long_m / units.length_m, wide > 500 ? 8 : 4)) {
    const x = left + ((right - left) * tick * units.length_m) / Math.max(long_m, 1e-9);
    pen.fillText(`${figure(tick, tick % 1 === 0 ? 0 : 2)} ${units.lengthUnit}`, x, tall - 10);
    pen.fillRect(x, bottom, 1, 5);
  }
  if (lines.length > 1) shadePour(pen, lines, u, v);
  for (const line of lines) strokeValues(pen, line, u, v, colours.color);
}

// Floor and top over the mean level, or over the best-fit plane [m].
function sectionLines(model, readings) {
  const values = (of) => readings.map((one) => (one === null ? null : of(one)));
  const floor = { wide: 2, dash: [], values: values((one) => one.off_m) };
  if (model.data.main === "level") return [floor];
  if (model.data.main === "thickness") {
    // The floor is that after the pour; the one before it lies under it.
    const before = values((one) => one.off_m - one.depth_m);
    return [{ ...floor, values: before, dash: [5, 3] }, { ...floor, dash: [] }];
  }
  const top = model.datum
    ? values((one) => one.off_m + one.datum_m - one.floor_m)
    : values((one) => one.off_m + one.depth_m);
  return [floor, { wide: 1.6, dash: [7, 3], values: top }];
}

// What is between floor and top, one piece of floor at a time.
function shadePour(pen, [floor, top], u, v) {
  pen.save();
  pen.globalAlpha = 0.16;
  const count = floor.values.length;
  for (let first = 0; first < count; first += 1) {
    if (floor.values[first] === null) continue;
    let end = first;
    while (end + 1 < count && floor.values[end + 1] !== null) end += 1;
    pen.beginPath();
    for (let k = first; k <= end; k += 1) pen.lineTo(u(k), v(floor.values[k]));
    for (let k = end; k >= first; k -= 1) {
      pen.lineTo(u(k), v(Math.max(top.values[k], floor.values[k])));
    }
    pen.fill();
    first = end;
  }
  pen.restore();
}

function strokeValues(pen, line, u, v, colour) {
  pen.beginPath();
  line.values.forEach((value, k) => {
    if (value === null) return;
    if (k === 0 || line.values[k - 1] === null) pen.moveTo(u(k), v(value));
    else pen.lineTo(u(k), v(value));
  });
  pen.strokeStyle = colour;
  pen.setLineDash(line.dash);
  pen.lineWidth = line.wide;
  pen.stroke();
  pen.setLineDash([]);
}

// Round values between two ends, about so many.
function ticks(low, high, most) {
  const rough = (high - low) / most;
  const ten = 10 ** Math.floor(Math.log10(Math.max(rough, 1e-9)));
  const step = [1, 2, 5, 10].map((digit) => digit * ten).find((one) => one >= rough) ?? ten;
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k += 1) {
    found.push(Number((k * step).toPrecision(12)));
  }
  return found;
}
