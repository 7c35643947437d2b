// What the page says of the place that was touched, and of the datum that is set.

const MAIN_NAMES = { depth: "Depth", thickness: "Thickness", level: "Off the mean level" };

function nameOfMain(model) {
  if (model.data.main === "level" && !model.data.levelled) return "Off the best-fit plane";
  return MAIN_NAMES[model.data.main];
}

// Names and values of a reading, in the order in which they are asked for.
function readingRows(model, one) {
  const { units, data } = model;
  const rows = [];
  if (one.depth_m !== null) rows.push([nameOfMain(model), units.height(one.depth_m)]);
  else rows.push([nameOfMain(model), signed(units.height(one.off_m), one.off_m)]);
  rows.push(["Uncertainty (95 %)", one.error_m === null ? "not known" : `± ${units.height(one.error_m)}`]);
  if (one.level_m !== null) rows.push(["Level of the floor", levelWords(units, one.level_m)]);
  const place = [one.x_m + data.origin_m[0], one.y_m + data.origin_m[1]];
  rows.push(["Place x, y", place.map((part) => units.length(part)).join(", ")]);
  const corner = data.corners[model.corner];
  if (corner) {
    const [along, across] = alongAcross(corner, one.x_m, one.y_m);
    rows.push([
      `From corner ${corner.name}`,
      `${units.length(along)} along, ${units.length(across)} across`,
    ]);
  }
  rows.push(["Floor", floorWords(model, one)]);
  if (one.batch > 0) rows.push(["Batch", String(one.batch)]);
  return rows;
}

function floorWords(model, one) {
  const seen = one.seen ? "seen" : "not seen, inferred";
  const { datum } = model;
  if (!datum) return seen;
  if (one.depth_m < datum.least_m) return `${seen}; too thin`;
  return one.depth_m > datum.greatest_m ? `${seen}; too deep` : seen;
}

// Names and values of the pour at the datum that is set.
function figureRows(model) {
  const { units, datum } = model;
  const pour = model.pour();
  const rows = [
    ["fill", "To fill", units.volume(pour.volume_m3)],
    ["bags", "Bags, expected use", figure(pour.bags, 0)],
    [
      "ground",
      datum.ground_m === null ? `To grind for ${units.limit(datum.least_m)} everywhere` : "To grind",
      units.volume(pour.ground_m3),
    ],
    ["short", `Thinner than ${units.limit(datum.least_m)}`, units.area(pour.short_m2)],
    ["deep", `Deeper than ${units.limit(datum.greatest_m)}`, units.area(pour.deep_m2)],
    ["depth", "Depth", `${units.height(pour.least_m)} to ${units.height(pour.greatest_m)}`],
  ];
  return { pour, rows };
}

// Fills a list of names and values; `number` is what scripts read, beside what people do.
function listRows(list, rows) {
  list.replaceChildren(
    ...rows.map(([name, value]) => {
      const pair = document.createElement("div");
      const term = document.createElement("dt");
      const said = document.createElement("dd");
      term.textContent = name;
      said.textContent = value;
      pair.append(term, said);
      return pair;
    }),
  );
}
