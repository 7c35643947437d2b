// What the page knows of the floor, and what it says of a place or of a datum.

// Kinds of cells; a cell beside the floor, which its edge may cut, is the fourth.
const [OFF, SEEN, HIDDEN] = [0, 1, 2];

class Model {
  constructor(data, floor, grids) {
    Object.assign(this, grids); // cells, error, depth, batch; null where there is none
    this.data = data;
    this.floor = floor;
    this.datum = data.datum ?? null; // As the page was made; null where none can be moved.
    this.outline = data.outline.map((ring) => points(ring, data.place_step_m));
    this.raised_m = 0;
    this.units = UNITS[data.system];
    this.corner = data.corners.length > 0 ? 0 : -1;
    this.layer = data.main === "level" ? "level" : "depth";
  }

  // Depth of the pour, or thickness, at a cell of the grid, as ground [m].
  depthOfCell(cell) {
    if (this.depth) return this.depth[cell] * this.floor.unit_m;
    return this.asGround(this.raised_m - this.floor.z[cell] * this.floor.unit_m);
  }

  asGround(depth_m) {
    const ground_m = this.datum ? this.datum.ground_m : null;
    return ground_m === null ? depth_m : Math.max(depth_m, ground_m);
  }

  // Height above the mean level, or above the best-fit plane, at a cell [m].
  levelOfCell(cell) {
    const { floor, data } = this;
    const x_m = floor.x0_m + (cell % floor.nx) * floor.cell_m;
    const y_m = floor.y0_m + Math.floor(cell / floor.nx) * floor.cell_m;
    return (
      floor.z[cell] * floor.unit_m +
      planeAt(floor.plane, x_m, y_m) -
      planeAt(data.mean_plane, x_m, y_m)
    );
  }

  // How sure depth or level are at a cell, at 95 % [m]; null where nobody knows.
  errorOfCell(cell) {
    return this.error[cell] < 0 ? null : this.error[cell] * this.data.error_step_m;
  }

  // Value of a cell in the layer that is shown; null where there is none.
  valueOfCell(cell) {
    if (this.layer === "level") return this.levelOfCell(cell);
    return this.layer === "error" ? this.errorOfCell(cell) : this.depthOfCell(cell);
  }

  // What the colours of a layer span [m].
  get scale_m() {
    const { data } = this;
    if (this.layer === "error") return [0, this.worst_m];
    const main = data.main === "level" ? "level" : "depth";
    if (this.layer === main) return data.scale_m;
    return [-data.level_scale_m, data.level_scale_m];
  }

  // What 99 of 100 cells are known better than [m].
  get worst_m() {
    if (this.worst === undefined) {
      const { error, cells } = this;
      const known = error.filter((steps, cell) => steps >= 0 && cells[cell] !== OFF).sort();
      const most = known.length > 0 ? known[Math.floor(0.99 * (known.length - 1))] : 1;
      this.worst = Math.max(most, 1) * this.data.error_step_m;
    }
    return this.worst;
  }

  // The cell of the floor that a place lies in; where the edge cuts cells, the one beside. Or -1.
  floorCell(x_m, y_m) {
    const { floor, cells } = this;
    const cell = cellAt(floor, x_m, y_m);
    if (cell < 0 || cells[cell] === OFF || !within(this.outline, x_m, y_m)) return -1;
    if (cells[cell] === SEEN || cells[cell] === HIDDEN) return cell;
    for (const row of [0, -floor.nx, floor.nx]) {
      for (const col of [0, -1, 1]) {
        const kind = cells[cell + row + col];
        if (kind === SEEN || kind === HIDDEN) return cell + row + col;
      }
    }
    return -1;
  }

  // All that is known of a place of the plan [m]; null beside the floor.
  at(x_m, y_m) {
    const { floor, data } = this;
    const cell = this.floorCell(x_m, y_m);
    if (cell < 0) return null;
    const over_m = fieldAt(floor, floor.z, x_m, y_m) * floor.unit_m;
    const depth_m = this.depth
      ? fieldAt(floor, this.depth, x_m, y_m) * floor.unit_m
      : this.asGround(this.raised_m - over_m);
    const level_m = over_m + planeAt(floor.plane, x_m, y_m);
    return {
      x_m,
      y_m,
      depth_m: data.main === "level" ? null : depth_m,
      level_m: data.levelled ? level_m + data.origin_m[2] : null,
      off_m: level_m - planeAt(data.mean_plane, x_m, y_m),
      error_m: this.errorOfCell(cell),
      seen: this.cells[cell] === SEEN,
      batch: this.batch ? this.batch[cell] : 0,
      floor_m: level_m, // Both local, and so comparable with or without a vertical.
      datum_m: this.raised_m + planeAt(floor.plane, x_m, y_m),
    };
  }

  // What the pour needs at the datum that is set; the plan's own words where it was not moved.
  pour() {
    const { datum, floor } = this;
    const pour = pourAt(floor, this.raised_m, datum);
    if (this.raised_m === 0) pour.volume_m3 = datum.plan.volume_m3;
    pour.bags = this.raised_m === 0 ? datum.plan.bags : bagsFor(pour.volume_m3, datum.material);
    return pour;
  }

  // How far the datum may be moved down and up [m]: the lowest floor keeps the least depth, and
  // the highest floor gets the greatest.
  get reach_m() {
    const { low, high } = this.floor.moments;
    const { least_m, greatest_m } = this.datum;
    const { unit_m } = this.floor;
    return [Math.min(low * unit_m + least_m, 0), Math.max(high * unit_m + greatest_m, 0)];
  }
}

// x, y, x, y in steps as pairs [m].
function points(steps, step_m) {
  const pairs = [];
  for (let k = 0; k < steps.length; k += 2) pairs.push([steps[k] * step_m, steps[k + 1] * step_m]);
  return pairs;
}

async function modelOf(data) {
  const floor = await floorOf(data.floor);
  const grid = (text) => (text ? unpacked(text, floor.ny, floor.nx) : null);
  const tones = data.tones.map((text) => unpacked(text, data.steps, 3));
  const [cells, error, depth, batch, ...ramps] = await Promise.all([
    grid(data.cells),
    grid(data.error),
    grid(data.depth),
    grid(data.batches ? data.batches.of : null),
    ...tones,
  ]);
  return new Model(data, floor, { cells, error, depth, batch, ramps });
}
