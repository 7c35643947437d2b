// The exact fill between a floor and a level: the arithmetic of pourdatum's own volume.
//
// The floor is plane on every triangle. Quads wholly inside the outline are split by their rising
// diagonal; what the outline leaves of the others comes as triangles with signed areas. Over each
// triangle the positive part of a linear function has a closed form: no sampling, no step.
//
// A floor is {nx, ny, cell_m, unit_m, z, whole, edge}: `z` the heights of the nodes above the
// datum's plane, row by row from the lowest y, in steps of `unit_m`; `whole` one byte for each of
// the (ny - 1) by (nx - 1) quads; `edge` {low, mid, high, area_m2}, heights in the same steps.

const TILE_QUADS = 16;
const SAME_M = 1e-12; // Heights nearer than this are the same, as in pourdatum.triangles.

// Sums of one sweep. One object for all triangles: a new one for each would cost more than they do.
class Sweep {
  constructor(same) {
    this.same = same;
    this.area = 0; // Where the value is positive [m2].
    this.volume = 0; // Integral of its positive part [m2 times steps].
  }

  // A triangle of this area whose corners have these values.
  add(area, a, b, c) {
    const low = Math.min(a, b, c);
    const high = Math.max(a, b, c);
    const mid = Math.max(Math.min(a, b), Math.min(Math.max(a, b), c));
    if (low >= 0) {
      this.volume += area * ((low + mid + high) / 3);
      if (high > this.same) this.area += area;
      return;
    }
    if (high <= 0) return;
    // Only terms of one sign: nothing cancels where a triangle barely reaches above zero.
    const one = mid <= 0;
    const long = high / (high - low);
    const short = one ? high / (high - mid) : mid / (mid - low);
    const rest = 1 - long;
    const mean = one ? long * short * high : long * (mid + high) + rest * short * mid;
    this.volume += (area * mean) / 3;
    if (high <= this.same) return;
    this.area += low >= -this.same ? area : area * (one ? long * short : long + rest * short);
  }
}

// Squares of quads with the lowest and highest of their nodes, and what they sum up to: most lie
// wholly under a level or over it, and are one addition.
function tilesOf(floor) {
  const { nx, ny, z, whole } = floor;
  const half = 0.5 * floor.cell_m * floor.cell_m;
  const tiles = [];
  for (let row0 = 0; row0 < ny - 1; row0 += TILE_QUADS) {
    for (let col0 = 0; col0 < nx - 1; col0 += TILE_QUADS) {
      const row1 = Math.min(row0 + TILE_QUADS, ny - 1);
      const col1 = Math.min(col0 + TILE_QUADS, nx - 1);
      const tile = { row0, row1, col0, col1, low: Infinity, high: -Infinity, area: 0, moment: 0 };
      for (let row = row0; row < row1; row += 1) {
        for (let col = col0; col < col1; col += 1) {
          if (!whole[row * (nx - 1) + col]) continue;
          const at = row * nx + col;
          const [a, b, c, d] = [z[at], z[at + 1], z[at + nx + 1], z[at + nx]];
          tile.low = Math.min(tile.low, a, b, c, d);
          tile.high = Math.max(tile.high, a, b, c, d);
          tile.area += 2 * half;
          tile.moment += (half * (2 * a + b + 2 * c + d)) / 3;
        }
      }
      if (tile.area > 0) tiles.push(tile);
    }
  }
  return tiles;
}

// The same over the whole floor: area [m2], mean, lowest and highest height [steps].
function momentsOf(floor) {
  const { low, mid, high, area_m2 } = floor.edge;
  let [area, moment, least, most] = [0, 0, Infinity, -Infinity];
  for (const tile of floor.tiles) {
    area += tile.area;
    moment += tile.moment;
    least = Math.min(least, tile.low);
    most = Math.max(most, tile.high);
  }
  for (let k = 0; k < area_m2.length; k += 1) {
    area += area_m2[k];
    moment += (area_m2[k] * (low[k] + mid[k] + high[k])) / 3;
    least = Math.min(least, low[k]);
    most = Math.max(most, high[k]);
  }
  return { area, mean: moment / area, low: least, high: most };
}

// Adds tiles and moments to a floor, which `under` and `over` need.
function prepared(floor) {
  const ready = { ...floor };
  ready.tiles = tilesOf(ready);
  ready.moments = momentsOf(ready);
  return ready;
}

// Volume [m3] and area [m2] of what lies under a level, given in steps over the datum's plane.
function under(floor, level) {
  return swept(floor, level, 1);
}

// Volume [m3] and area [m2] of what stands over a level.
function over(floor, level) {
  return swept(floor, level, -1);
}

function swept(floor, level, side) {
  const { nx, z, whole, edge } = floor;
  const half = 0.5 * floor.cell_m * floor.cell_m;
  const sweep = new Sweep(SAME_M / floor.unit_m);
  for (const tile of floor.tiles) {
    const least = side > 0 ? level - tile.high : tile.low - level;
    const most = side > 0 ? level - tile.low : tile.high - level;
    if (most <= 0) continue;
    if (least > sweep.same) {
      sweep.volume += side * (level * tile.area - tile.moment);
      sweep.area += tile.area;
      continue;
    }
    for (let row = tile.row0; row < tile.row1; row += 1) {
      for (let col = tile.col0; col < tile.col1; col += 1) {
        if (!whole[row * (nx - 1) + col]) continue;
        const at = row * nx + col;
        const a = side * (level - z[at]);
        const c = side * (level - z[at + nx + 1]);
        sweep.add(half, a, side * (level - z[at + 1]), c);
        sweep.add(half, a, c, side * (level - z[at + nx]));
      }
    }
  }
  for (let k = 0; k < edge.area_m2.length; k += 1) {
    const a = side * (level - edge.low[k]);
    const b = side * (level - edge.mid[k]);
    const c = side * (level - edge.high[k]);
    if (a > 0 || c > 0) sweep.add(edge.area_m2[k], a, b, c);
  }
  return { volume_m3: sweep.volume * floor.unit_m, area_m2: sweep.area };
}

// What a pour needs whose datum is raised by so much [m].
//
// `limits` is {least_m, greatest_m, ground_m}: depths that the material allows, and the depth over
// ground floor where the plan grinds, else null. A ground floor lies so deep at least under the
// datum: its fill is a slab of that depth, and what is under the slab.
function pourAt(floor, raised_m, limits) {
  const ground_m = limits.ground_m ?? 0;
  const ground = limits.ground_m !== null;
  const level = (depth_m) => (raised_m - depth_m) / floor.unit_m;
  const fill = under(floor, level(ground_m));
  const off = over(floor, level(ground ? ground_m : limits.least_m));
  const { area } = floor.moments;
  return {
    volume_m3: fill.volume_m3 + ground_m * area,
    area_m2: ground_m > 0 ? area : fill.area_m2,
    ground_m3: off.volume_m3,
    ground_m2: off.area_m2,
    short_m2: ground ? 0 : off.area_m2,
    deep_m2: under(floor, level(limits.greatest_m)).area_m2,
    least_m: Math.max(raised_m - floor.moments.high * floor.unit_m, ground ? ground_m : -Infinity),
    greatest_m: raised_m - floor.moments.low * floor.unit_m,
  };
}

// Whole bags, as pourdatum.material counts them: crumbs of rounding open none.
function bagsFor(volume_m3, material) {
  const powder_kg = Math.max(volume_m3, 0) * 1000 * material.powder_kg_per_m2_mm;
  return Math.ceil(((powder_kg * (1 + material.waste)) / material.bag_kg) * (1 - 1e-9));
}
