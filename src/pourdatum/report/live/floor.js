// The floor as it was packed into the page, and what lies at a place of it.

// Unpacks what report/live_floor.py packed.
async function floorOf(data) {
  const { nx, ny, edges } = data;
  const [z, whole, corner, area] = await Promise.all([
    unpacked(data.z, ny, nx),
    unpacked(data.whole, ny - 1, nx - 1),
    unpacked(data.edge, 3, edges),
    unpacked(data.edge_area, 1, edges),
  ]);
  return prepared({
    ...data,
    z,
    whole: Uint8Array.from(whole),
    edge: {
      low: corner.subarray(0, edges),
      mid: corner.subarray(edges, 2 * edges),
      high: corner.subarray(2 * edges),
      area_m2: Float64Array.from(area, (steps) => steps * data.edge_area_m2),
    },
  });
}

// The cell that holds a place, or -1 beside the grid.
function cellAt(floor, x_m, y_m) {
  const col = Math.floor((x_m - floor.x0_m) / floor.cell_m + 0.5);
  const row = Math.floor((y_m - floor.y0_m) / floor.cell_m + 0.5);
  if (col < 0 || row < 0 || col >= floor.nx || row >= floor.ny) return -1;
  return row * floor.nx + col;
}

// Whether a place lies in rings of places, holes left out (even-odd rule).
function within(rings, x_m, y_m) {
  let inside = false;
  for (const ring of rings) {
    for (let k = 0, before = ring.length - 1; k < ring.length; before = k, k += 1) {
      const [[x0, y0], [x1, y1]] = [ring[before], ring[k]];
      if (y0 > y_m !== y1 > y_m && x_m < x0 + ((y_m - y0) / (y1 - y0)) * (x1 - x0)) {
        inside = !inside;
      }
    }
  }
  return inside;
}

// A field of the grid between its nodes, bilinear, as pourdatum.grid reads pins from it.
function fieldAt(floor, field, x_m, y_m) {
  const { nx, ny } = floor;
  const u = Math.min(Math.max((x_m - floor.x0_m) / floor.cell_m, 0), nx - 1);
  const v = Math.min(Math.max((y_m - floor.y0_m) / floor.cell_m, 0), ny - 1);
  const col = Math.min(Math.floor(u), nx - 2);
  const row = Math.min(Math.floor(v), ny - 2);
  const [right, up, at] = [u - col, v - row, row * nx + col];
  const low = field[at] * (1 - right) + field[at + 1] * right;
  const high = field[at + nx] * (1 - right) + field[at + nx + 1] * right;
  return low * (1 - up) + high * up;
}

// Height of a plane [z0, slope in x, slope in y] at a place [m].
function planeAt(plane, x_m, y_m) {
  return plane[0] + plane[1] * x_m + plane[2] * y_m;
}

// Distances along a wall from a corner, and across from it [m].
function alongAcross(corner, x_m, y_m) {
  const [dx, dy] = [x_m - corner.x_m, y_m - corner.y_m];
  return [
    dx * corner.along[0] + dy * corner.along[1],
    dx * corner.across[0] + dy * corner.across[1],
  ];
}
