// Figures as people read them, in the words of pourdatum.units.

const FOOT_M = 0.3048;
const INCH_M = 0.0254;
const US_GALLON_L = 3.785411784;

// A number with a true minus sign; nothing is shown as minus nothing.
function figure(value, decimals) {
  const plain = Math.abs(value).toFixed(decimals);
  return `${value < 0 && Number(plain) !== 0 ? "\u2212" : ""}${plain}`;
}

// The same in groups of three, as volumes and counts are shown.
function grouped(value, decimals) {
  const [whole, ...rest] = figure(value, decimals).split(".");
  return [whole.replace(/\B(?=(\d{3})+$)/g, "\u00a0"), ...rest].join(".");
}

// An amount, with a decimal where it is small.
function amount(value, unit) {
  return `${grouped(value, Math.abs(value) >= 100 ? 0 : 1)} ${unit}`;
}

const UNITS = {
  metric: {
    height_m: 0.001,
    heightUnit: "mm",
    heightStep: 0.1,
    length_m: 1,
    lengthUnit: "m",
    levelDecimals: 4,
    placeDecimals: 2,
    walk_m: 0.1,
    height: (m) => `${figure(m * 1000, 1)} mm`,
    length: (m) => `${figure(m, 2)} m`,
    area: (m2) => `${figure(m2, 2)} m²`,
    volume: (m3) => amount(m3 * 1000, "l"),
    limit: (m) => `${Number((m * 1000).toPrecision(6))} mm`,
  },
  imperial: {
    height_m: INCH_M,
    heightUnit: "in",
    heightStep: 0.005,
    length_m: FOOT_M,
    lengthUnit: "ft",
    levelDecimals: 3,
    placeDecimals: 1,
    walk_m: 0.25 * FOOT_M,
    height: (m) => `${figure(m / INCH_M, 2)} in`,
    length: (m) => `${figure(m / FOOT_M, 2)} ft`,
    area: (m2) => `${figure(m2 / FOOT_M ** 2, 1)} ft²`,
    volume: (m3) => amount((m3 * 1000) / US_GALLON_L, "US gal"),
    limit: (m) => `${figure(m / INCH_M, 2)} in`,
  },
};

// Two ends, with their unit once.
function span(low, high) {
  return low === high ? high : `${low.slice(0, low.lastIndexOf(" "))} to ${high}`;
}

// A place in the scan's plan.
function placeWords(units, x_m, y_m) {
  const [x, y] = [x_m, y_m].map((one) => figure(one / units.length_m, units.placeDecimals));
  return `${x}, ${y} ${units.lengthUnit}`;
}

// A level in the scan's own vertical.
function levelWords(units, level_m) {
  return `${figure(level_m / units.length_m, units.levelDecimals)} ${units.lengthUnit}`;
}

// A difference, with its sign.
function signed(words, value) {
  return value > 0 ? `+${words}` : words;
}
