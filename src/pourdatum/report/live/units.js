// Figures as people read them, in the words of pourdatum.units.

const FOOT_M = 0.3048;
const INCH_M = 0.0254;
const US_GALLON_L = 3.785411784;

// A number with a true minus sign and thin groups; nothing is shown as minus nothing.
function figure(value, decimals) {
  const plain = Math.abs(value).toFixed(decimals);
  const [whole, rest] = plain.split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u00a0");
  const sign = value < 0 && Number(plain) !== 0 ? "\u2212" : "";
  return `${sign}${grouped}${rest ? `.${rest}` : ""}`;
}

const UNITS = {
  metric: {
    height_m: 0.001,
    heightUnit: "mm",
    heightStep: 0.1,
    length_m: 1,
    lengthUnit: "m",
    levelDecimals: 4,
    walk_m: 0.1,
    height: (m) => `${figure(m * 1000, 1)} mm`,
    length: (m) => `${figure(m, 2)} m`,
    area: (m2) => `${figure(m2, 2)} m²`,
    volume: (m3) => `${figure(m3 * 1000, m3 >= 0.1 ? 0 : 1)} l`,
    limit: (m) => `${Number((m * 1000).toPrecision(6))} mm`,
  },
  imperial: {
    height_m: INCH_M,
    heightUnit: "in",
    heightStep: 0.005,
    length_m: FOOT_M,
    lengthUnit: "ft",
    levelDecimals: 3,
    walk_m: 0.25 * FOOT_M,
    height: (m) => `${figure(m / INCH_M, 2)} in`,
    length: (m) => `${figure(m / FOOT_M, 2)} ft`,
    area: (m2) => `${figure(m2 / FOOT_M ** 2, 1)} ft²`,
    volume: (m3) => {
      const gallons = (m3 * 1000) / US_GALLON_L;
      return `${figure(gallons, gallons >= 100 ? 0 : 1)} US gal`;
    },
    limit: (m) => `${figure(m / INCH_M, 2)} in`,
  },
};

// Places or ends of a span, with their unit once, and without groups: as the tables have them.
function several(texts) {
  const units = texts.map((text) => text.slice(text.lastIndexOf(" ")));
  const bare = texts.map((text, k) => text.slice(0, -units[k].length).replace(/\u00a0/g, ""));
  return { bare, unit: units[0] };
}

function span(low, high) {
  const { bare, unit } = several([low, high]);
  return bare[0] === bare[1] ? high : `${bare[0]} to ${bare[1]}${unit}`;
}

function placeWords(units, x_m, y_m) {
  const { bare, unit } = several([units.length(x_m), units.length(y_m)]);
  return `${bare.join(", ")}${unit}`;
}

// A level in the scan's own vertical.
function levelWords(units, level_m) {
  return `${figure(level_m / units.length_m, units.levelDecimals)} ${units.lengthUnit}`;
}

// A difference, with its sign.
function signed(words, value) {
  return value > 0 ? `+${words}` : words;
}
