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
  const main = nameOfMain(model);
  if (one.depth_m !== null) rows.push([main, units.height(one.depth_m), one.depth_m]);
  else rows.push([main, signed(units.height(one.off_m), one.off_m), one.off_m]);
  rows.push(sureRow(model, one));
  if (one.level_m !== null) {
    const whose = data.main === "thickness" ? "Level after the pour" : "Level of the floor";
    rows.push([whose, levelWords(units, one.level_m), one.level_m]);
  }
  const [x_m, y_m] = [one.x_m + data.origin_m[0], one.y_m + data.origin_m[1]];
  rows.push(["Place x, y", placeWords(units, x_m, y_m), `${x_m} ${y_m}`]);
  const corner = data.corners[model.corner];
  if (corner) {
    const [along, across] = alongAcross(corner, one.x_m, one.y_m);
    rows.push([
      `From corner ${corner.name}`,
      `${units.length(along)} along, ${units.length(across)} across`,
      `${along} ${across}`,
    ]);
  }
  rows.push(["Floor", floorWords(model, one)]);
  if (one.batch > 0) rows.push(["Batch", String(one.batch)]);
  return rows;
}

// A depth lies between two ends: upwards as far as unseen floor may lift the datum. All else is
// known to so much either way.
function sureRow(model, one) {
  const { units, data } = model;
  const known = one.error_m !== null;
  if (data.main !== "depth") {
    const sure = known ? `± ${units.height(one.error_m)}` : "not known";
    return ["Uncertainty (95 %)", sure, one.error_m];
  }
  if (!known) return ["Between (95 %)", "not known"];
  const low = model.asGround(one.depth_m - one.error_m);
  const high = model.asGround(one.depth_m + one.error_m + data.rise_m);
  return ["Between (95 %)", span(units.height(low), units.height(high)), `${low} ${high}`];
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
  const least = units.limit(datum.least_m);
  const rows = [
    ["To fill", units.volume(pour.volume_m3), pour.volume_m3],
    ["Bags, expected use", grouped(pour.bags, 0), pour.bags],
    [
      datum.ground_m === null ? `To grind for ${least} everywhere` : "To grind",
      units.volume(pour.ground_m3),
      pour.ground_m3,
    ],
    [`Thinner than ${least}`, units.area(pour.short_m2), pour.short_m2],
    [`Deeper than ${units.limit(datum.greatest_m)}`, units.area(pour.deep_m2), pour.deep_m2],
    ["Depth", span(units.height(pour.least_m), units.height(pour.greatest_m)), pour.greatest_m],
  ];
  return { pour, rows };
}

// Fills a list of names and what is said of each, with the value in metres, m² or m³ for scripts.
function listRows(list, rows) {
  list.replaceChildren(
    ...rows.map(([name, said, value]) => {
      const pair = document.createElement("div");
      const term = document.createElement("dt");
      const held = document.createElement("dd");
      const shown = document.createElement("data");
      term.textContent = name;
      shown.textContent = said;
      shown.value = value ?? said;
      held.append(shown);
      pair.append(term, held);
      return pair;
    }),
  );
}
