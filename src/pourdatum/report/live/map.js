// The plan of the floor, drawn from the grid: colours by cell, and signs over them.

const MARGIN_PX = 10;
const NEAREST = 16; // Times as large as the whole plan.
const EDGE_SHARE = 0.12; // Of the map's width or height, within which a place is at its edge.
const INK = 0xff000000; // A full pixel: red is the lowest byte on every machine that has a browser.
const MOST_PX = 2; // Pixels of the screen for one of the page: more only cost memory.

class FloorMap {
  constructor(canvas, model) {
    this.canvas = canvas;
    this.model = model;
    this.shown = new Set(["unseen", "out", "humps"]);
    this.zoom = 1;
    this.middle = null; // Place in the middle of a map that is seen near [m]
    this.cursor = null; // [x, y] of the place that is read [m]
    this.section = null; // [[x, y], [x, y]] [m]
    const { nx, ny } = model.floor;
    this.values = sheet(nx, ny);
    this.masks = { unseen: sheet(nx, ny), thin: sheet(nx, ny), deep: sheet(nx, ny) };
    this.borders = model.batch ? batchBorders(model) : [];
    this.outline = model.outline;
    this.box = boxOf(this.outline);
    this.paintMask("unseen", (cell) => model.cells[cell] === HIDDEN);
    this.repaint();
  }

  // Colours of all cells anew: after the datum or the layer changed. Cells are many, and all of it
  // is one loop.
  repaint() {
    const { model } = this;
    const { cells, datum } = model;
    const { nx, ny } = model.floor;
    const [low, high] = model.scale_m;
    const { steps } = model.data;
    const tones = this.tones();
    const out = datum !== null && this.shown.has("out");
    const [values, thin, deep] = [pixelsOf(nx, ny), pixelsOf(nx, ny), pixelsOf(nx, ny)];
    for (let row = 0, cell = 0; row < ny; row += 1) {
      let at = (ny - 1 - row) * nx; // Pictures begin at the top.
      for (let col = 0; col < nx; col += 1, cell += 1, at += 1) {
        if (cells[cell] === OFF) continue;
        const value = model.valueOfCell(cell);
        if (value !== null) {
          const step = Math.floor(((value - low) / (high - low)) * steps);
          values.each[at] = tones[Math.min(Math.max(step, 0), steps - 1)];
        }
        if (!out) continue;
        const depth_m = model.depthOfCell(cell);
        if (depth_m < datum.least_m) thin.each[at] = INK;
        else if (depth_m > datum.greatest_m) deep.each[at] = INK;
      }
    }
    this.values.getContext("2d").putImageData(values.image, 0, 0);
    if (!out) return;
    this.masks.thin.getContext("2d").putImageData(thin.image, 0, 0);
    this.masks.deep.getContext("2d").putImageData(deep.image, 0, 0);
  }

  // Colours of the ramp, as pixels.
  tones() {
    const { model } = this;
    const ramp = model.ramps[model.layer === "level" ? 1 : 0];
    return Uint32Array.from({ length: model.data.steps }, (_, k) => {
      const [red, green, blue] = ramp.subarray(3 * k, 3 * k + 3);
      return INK | (blue << 16) | (green << 8) | red;
    });
  }

  paintMask(name, holds) {
    const { cells, floor } = this.model;
    const { nx, ny } = floor;
    const { image, each } = pixelsOf(nx, ny);
    cells.forEach((kind, cell) => {
      if (kind === OFF || !holds(cell)) return;
      each[(ny - 1 - Math.floor(cell / nx)) * nx + (cell % nx)] = INK;
    });
    this.masks[name].getContext("2d").putImageData(image, 0, 0);
  }

  // Fits the canvas to its place in the page.
  fit() {
    const { canvas, box } = this;
    const wide = canvas.parentElement.clientWidth;
    if (wide === 0) return;
    const [across, up] = [box.right - box.left, box.high - box.low];
    const most = Math.max(0.72 * window.innerHeight, 260);
    const tall = Math.min(((wide - 2 * MARGIN_PX) * up) / across + 2 * MARGIN_PX, most);
    const dense = Math.min(window.devicePixelRatio || 1, MOST_PX);
    canvas.width = Math.round(wide * dense);
    canvas.height = Math.round(tall * dense);
    canvas.style.height = `${tall}px`;
    this.dense = dense;
    this.px_per_m = Math.min(
      (wide - 2 * MARGIN_PX) / across,
      (tall - 2 * MARGIN_PX) / up,
    );
    this.px_per_m *= this.zoom;
    const [x, y] = this.zoom > 1 ? this.middle : [across / 2 + box.left, up / 2 + box.low];
    this.left_px = wide / 2 - (x - box.left) * this.px_per_m;
    this.low_px = tall / 2 + (y - box.low) * this.px_per_m;
    this.draw();
  }

  // Twice as near to the place that is read, or half: one way is 1, the other -1.
  step(way) {
    this.zoom = Math.min(Math.max(this.zoom * 2 ** way, 1), NEAREST);
    this.middle = [...this.cursor];
    this.fit();
  }

  // Of a map seen near, brings the place that is read back to the middle where it nears the edge.
  follow() {
    if (this.zoom === 1) return;
    const [x, y] = this.px(...this.cursor);
    const [u, v] = [(x * this.dense) / this.canvas.width, (y * this.dense) / this.canvas.height];
    if (Math.min(u, v, 1 - u, 1 - v) > EDGE_SHARE) return;
    this.middle = [...this.cursor];
    this.fit();
  }

  px(x_m, y_m) {
    return [
      this.left_px + (x_m - this.box.left) * this.px_per_m,
      this.low_px - (y_m - this.box.low) * this.px_per_m,
    ];
  }

  // The place under a pixel of the page's own [m].
  place(x_px, y_px) {
    return [
      this.box.left + (x_px - this.left_px) / this.px_per_m,
      this.box.low + (this.low_px - y_px) / this.px_per_m,
    ];
  }

  // The whole map anew.
  draw() {
    if (!this.px_per_m) return;
    this.under = sheet(this.canvas.width, this.canvas.height);
    const pen = this.under.getContext("2d");
    const style = getComputedStyle(this.canvas);
    this.ink = "#1d2433"; // On colours that are the same by day and by night.
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    pen.save();
    this.trace(pen, this.outline);
    pen.clip("evenodd");
    this.cellsOn(pen, this.values);
    if (this.shown.has("unseen")) this.hatch(pen, "unseen", -1, 9, this.ink);
    if (this.shown.has("out") && this.model.datum) {
      this.hatch(pen, "thin", 1, 6, this.ink);
      this.hatch(pen, "deep", 1, 6, "#ffffff");
      this.hatch(pen, "deep", -1, 6, "#ffffff");
    }
    pen.restore();
    pen.strokeStyle = style.color;
    pen.lineWidth = 1.5;
    this.trace(pen, this.outline);
    pen.stroke();
    drawSigns(pen, this);
    this.drawTop();
  }

  // What follows a finger, over the map as it was drawn last.
  drawTop() {
    if (!this.under) return;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.under, 0, 0);
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    if (this.section) drawSectionLine(pen, this);
    if (this.cursor) drawCursor(pen, this);
  }

  // One cell is one pixel of a picture that lies under the plan.
  cellsOn(pen, picture) {
    const { floor } = this.model;
    const half = floor.cell_m / 2;
    const [left, low] = this.px(floor.x0_m - half, floor.y0_m - half);
    const side = floor.cell_m * this.px_per_m;
    pen.imageSmoothingEnabled = side < 1;
    pen.drawImage(picture, left, low - floor.ny * side, floor.nx * side, floor.ny * side);
  }

  // Lines at 45 degrees where a mask is set, dark under light or light over dark.
  hatch(pen, name, way, apart, colour) {
    const [wide, tall] = [this.canvas.width / this.dense, this.canvas.height / this.dense];
    const layer = sheet(this.canvas.width, this.canvas.height);
    const over = layer.getContext("2d");
    over.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    over.strokeStyle = colour;
    over.lineWidth = 1;
    over.beginPath();
    for (let x = -tall; x < wide + tall; x += apart) {
      over.moveTo(x, way > 0 ? tall : 0);
      over.lineTo(x + tall, way > 0 ? 0 : tall);
    }
    over.stroke();
    over.globalCompositeOperation = "destination-in";
    this.cellsOn(over, this.masks[name]);
    pen.drawImage(layer, 0, 0, wide, tall);
  }

  trace(pen, rings) {
    pen.beginPath();
    for (const ring of rings) {
      ring.forEach(([x, y], k) => {
        const at = this.px(x, y);
        if (k === 0) pen.moveTo(...at);
        else pen.lineTo(...at);
      });
      pen.closePath();
    }
  }
}

// A picture of cells, and its pixels as whole numbers.
function pixelsOf(nx, ny) {
  const image = new ImageData(nx, ny);
  return { image, each: new Uint32Array(image.data.buffer) };
}

function sheet(wide, tall) {
  const canvas = document.createElement("canvas");
  canvas.width = wide;
  canvas.height = tall;
  return canvas;
}

function boxOf(rings) {
  const all = rings.flat();
  const box = { left: Infinity, low: Infinity, right: -Infinity, high: -Infinity };
  for (const [x, y] of all) {
    box.left = Math.min(box.left, x);
    box.low = Math.min(box.low, y);
    box.right = Math.max(box.right, x);
    box.high = Math.max(box.high, y);
  }
  return box;
}

// Edges of cells between two batches, as pairs of places [m].
function batchBorders(model) {
  const { nx, ny, x0_m, y0_m, cell_m } = model.floor;
  const [batch, lines] = [model.batch, []];
  const corner = (col, row) => [x0_m + (col - 0.5) * cell_m, y0_m + (row - 0.5) * cell_m];
  for (let row = 0; row < ny; row += 1) {
    for (let col = 0; col < nx; col += 1) {
      const own = batch[row * nx + col];
      const right = col + 1 < nx ? batch[row * nx + col + 1] : 0;
      const above = row + 1 < ny ? batch[(row + 1) * nx + col] : 0;
      const far = corner(col + 1, row + 1);
      if (own && right && own !== right) lines.push([corner(col + 1, row), far]);
      if (own && above && own !== above) lines.push([corner(col, row + 1), far]);
    }
  }
  return lines;
}
