// What people do on the page, and what changes by it.

const find = (id) => document.getElementById(id);
const SAY_AFTER_MS = 350; // Who holds an arrow key hears the last place, not every one.

class LivePage {
  constructor(model) {
    this.model = model;
    this.map = new FloorMap(find("live-map"), model);
    this.from = null; // Start of the section [m]
    this.to = null;
    this.bindMap();
    this.bindZoom();
    this.bindLayers();
    this.bindLooks();
    this.bindSection();
    if (model.datum) this.bindDatum();
    new ResizeObserver(() => this.fit()).observe(find("live-map").parentElement);
    this.setUnits(model.data.system);
    const start = this.startPlace();
    this.read(start[0], start[1], { say: false });
    this.fit();
  }

  // The high point, or the cell nearest the middle of the floor.
  startPlace() {
    const { data, floor, cells } = this.model;
    const high = data.marks.find((mark) => mark.kind === "high");
    if (high) {
      const place = high.place.map((steps) => steps * data.place_step_m);
      if (this.model.at(...place)) return place;
    }
    const { box } = this.map;
    const [x, y] = [(box.left + box.right) / 2, (box.low + box.high) / 2];
    let [best, least] = [[x, y], Infinity];
    cells.forEach((kind, cell) => {
      if (kind !== SEEN && kind !== HIDDEN) return;
      const place = [
        floor.x0_m + (cell % floor.nx) * floor.cell_m,
        floor.y0_m + Math.floor(cell / floor.nx) * floor.cell_m,
      ];
      const away = (place[0] - x) ** 2 + (place[1] - y) ** 2;
      // A cell on the edge may have its middle beside the edge as it is drawn.
      if (away < least && this.model.at(...place)) [best, least] = [place, away];
    });
    return best;
  }

  fit() {
    this.map.fit();
    this.showSection();
    this.paintBar();
  }

  bindMap() {
    const canvas = find("live-map");
    const touched = (event) => {
      const box = canvas.getBoundingClientRect();
      return this.map.place(event.clientX - box.left, event.clientY - box.top);
    };
    canvas.addEventListener("pointerdown", (event) => this.read(...touched(event), { say: true }));
    canvas.addEventListener("pointermove", (event) => {
      // Without a button a mouse reads as well; who hears the page is told of touches alone.
      if (event.pointerType === "mouse" || event.buttons) {
        this.read(...touched(event), { say: false });
      }
    });
    canvas.addEventListener("keydown", (event) => {
      const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
      const way = ways[event.key];
      if (!way || event.altKey || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      const step = this.model.units.walk_m * (event.shiftKey ? 10 : 1);
      this.walk(way, step);
    });
  }

  // Buttons by which the map is seen nearer, about the place that is read.
  bindZoom() {
    for (const [id, way] of [["live-closer", 1], ["live-wider", -1]]) {
      find(id).addEventListener("click", () => {
        this.map.step(way);
        find("live-closer").disabled = this.map.zoom >= NEAREST;
        find("live-wider").disabled = this.map.zoom <= 1;
      });
    }
  }

  // Moves the reading, over openings and columns where the way leads through one.
  walk([dx, dy], step) {
    const [x, y] = this.map.cursor;
    for (let steps = 1; steps <= 400; steps += 1) {
      const place = [x + steps * step * dx, y + steps * step * dy];
      if (this.model.at(...place)) {
        this.read(...place, { say: true });
        return;
      }
    }
    this.say("The floor ends here.");
  }

  read(x_m, y_m, { say }) {
    const one = this.model.at(x_m, y_m);
    if (one === null) {
      if (say) this.say("No floor here.");
      return;
    }
    this.map.cursor = [x_m, y_m];
    this.showReading(say);
    this.map.drawTop();
    if (say) this.map.follow();
  }

  showReading(say) {
    const [x, y] = this.map.cursor;
    const rows = readingRows(this.model, this.model.at(x, y));
    listRows(find("live-reading"), rows);
    if (say) this.say(rows.map(([name, value]) => `${name} ${value}`).join(". "));
  }

  // To who hears the page.
  say(words) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => {
      find("live-said").textContent = words;
    }, SAY_AFTER_MS);
  }

  bindDatum() {
    const slider = find("live-slider");
    const field = find("live-raise");
    slider.addEventListener("input", () => this.raise(slider.valueAsNumber, slider));
    field.addEventListener("input", () => {
      if (Number.isFinite(field.valueAsNumber)) this.raise(field.valueAsNumber, field);
    });
    field.addEventListener("change", () => this.showDatum());
    const level = find("live-level");
    if (level) {
      level.addEventListener("input", () => {
        const { units, floor, data } = this.model;
        if (!Number.isFinite(level.valueAsNumber)) return;
        const raised_m =
          level.valueAsNumber * units.length_m - floor.plane[0] - data.origin_m[2];
        this.raise(raised_m / units.height_m, level);
      });
      level.addEventListener("change", () => this.showDatum());
    }
    find("live-reset").addEventListener("click", () => this.raise(0));
  }

  // Sets the datum so far over the plan's, in the unit shown; `by` is what was moved.
  raise(shown, by = null) {
    const { model } = this;
    const [low, high] = model.reach_m;
    const wanted_m = shown * model.units.height_m;
    model.raised_m = Math.min(Math.max(wanted_m, low), high);
    if (Math.abs(model.raised_m) < 1e-9) model.raised_m = 0;
    this.by = by;
    // A slider sends more than a screen can show.
    this.due ??= requestAnimationFrame(() => {
      this.due = null;
      this.map.repaint();
      this.showDatum(this.by);
      this.showReading(false);
      this.showSection();
      this.map.draw();
    });
  }

  // Writes the datum into all its controls but the one that is in hand, and what follows from it.
  showDatum(by = null) {
    const { model } = this;
    const { units, floor, data } = model;
    const shown = model.raised_m / units.height_m;
    const decimals = units.heightStep < 0.05 ? 3 : 1;
    const slider = find("live-slider");
    if (by !== slider) slider.value = shown.toFixed(decimals);
    if (by !== find("live-raise")) find("live-raise").value = shown.toFixed(decimals);
    const level = find("live-level");
    if (level && by !== level) {
      const level_m = floor.plane[0] + model.raised_m + data.origin_m[2];
      level.value = (level_m / units.length_m).toFixed(units.levelDecimals);
    }
    const { pour, rows } = figureRows(model);
    listRows(find("live-figures"), rows);
    const moved = `${signed(figure(shown, decimals), shown)} ${units.heightUnit}`;
    const bags = `${grouped(pour.bags, 0)} bags`;
    slider.setAttribute("aria-valuetext", `${moved}, ${units.volume(pour.volume_m3)}, ${bags}`);
    find("live-reset").disabled = model.raised_m === 0;
    find("live-moved").textContent =
      model.raised_m === 0
        ? "This is the plan's own datum."
        : `The datum stands ${moved} from the plan's.`;
  }

  bindLayers() {
    for (const choice of document.querySelectorAll("input[name=live-layer]")) {
      choice.addEventListener("change", () => {
        this.model.layer = choice.value;
        this.map.repaint();
        this.map.draw();
        this.paintBar();
      });
    }
    for (const box of document.querySelectorAll("input[name=live-show]")) {
      if (box.checked) this.map.shown.add(box.value);
      else this.map.shown.delete(box.value);
      box.addEventListener("change", () => {
        if (box.checked) this.map.shown.add(box.value);
        else this.map.shown.delete(box.value);
        if (box.value === "out") this.map.repaint();
        this.map.draw();
      });
    }
    const corner = find("live-corner");
    if (corner) {
      corner.addEventListener("change", () => {
        this.model.corner = Number(corner.value);
        this.map.shown.add("corners");
        const box = document.querySelector("input[name=live-show][value=corners]");
        if (box) box.checked = true;
        this.showReading(true);
        this.map.draw();
      });
    }
  }

  bindLooks() {
    for (const choice of document.querySelectorAll("input[name=live-units]")) {
      choice.addEventListener("change", () => this.setUnits(choice.value));
    }
    for (const choice of document.querySelectorAll("input[name=live-look]")) {
      choice.addEventListener("change", () => {
        document.documentElement.dataset.look = choice.value;
        this.fit();
      });
    }
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.fit());
    const still = find("live-still");
    still.addEventListener("click", () => {
      const open = document.documentElement.classList.toggle("still-shown");
      still.setAttribute("aria-expanded", String(open));
    });
  }

  setUnits(system) {
    const { model } = this;
    model.units = UNITS[system];
    const { units } = model;
    if (model.datum) {
      const [low, high] = model.reach_m;
      const decimals = units.heightStep < 0.05 ? 3 : 1;
      const ends = [
        Math.ceil(low / units.height_m / units.heightStep) * units.heightStep,
        Math.floor(high / units.height_m / units.heightStep) * units.heightStep,
      ].map((end) => end.toFixed(decimals));
      for (const control of [find("live-slider"), find("live-raise")]) {
        [control.min, control.max] = ends;
        control.step = units.heightStep;
      }
      const level = find("live-level");
      if (level) level.step = 10 ** -units.levelDecimals;
      for (const spot of document.querySelectorAll("[data-unit]")) {
        spot.textContent = spot.dataset.unit === "height" ? units.heightUnit : units.lengthUnit;
      }
      this.showDatum();
    }
    if (this.map.cursor) this.showReading(false);
    this.showSection();
    this.paintBar();
  }

  bindSection() {
    find("live-from").addEventListener("click", () => {
      this.from = [...this.map.cursor];
      this.to = null;
      find("live-to").disabled = false;
      find("live-clear").disabled = false;
      this.say("The section begins here. Go to its other end.");
      this.showSection();
    });
    find("live-to").addEventListener("click", () => {
      this.to = [...this.map.cursor];
      this.showSection();
      this.say(find("live-section-said").textContent);
    });
    find("live-clear").addEventListener("click", () => {
      [this.from, this.to] = [null, null];
      find("live-to").disabled = true;
      find("live-clear").disabled = true;
      find("live-from").focus();
      this.showSection();
    });
  }

  showSection() {
    const { from, to, map, model } = this;
    map.section = from && to ? [from, to] : null;
    find("live-section").hidden = map.section === null;
    if (map.section) {
      const long_m = Math.hypot(to[0] - from[0], to[1] - from[1]);
      const readings = alongLine(model, from, to);
      find("live-section-said").textContent = sectionWords(model, readings, long_m);
      drawSection(find("live-cut"), model, readings, long_m);
    }
    map.drawTop();
  }

  // The bar of colours under the map, with its ends and its middle.
  paintBar() {
    const { model } = this;
    const bar = find("live-bar");
    const steps = model.data.steps;
    const ramp = model.ramps[model.layer === "level" ? 1 : 0];
    bar.width = steps;
    bar.height = 1;
    const pen = bar.getContext("2d");
    for (let k = 0; k < steps; k += 1) {
      pen.fillStyle = `rgb(${ramp[3 * k]} ${ramp[3 * k + 1]} ${ramp[3 * k + 2]})`;
      pen.fillRect(k, 0, 1, 1);
    }
    const [low, high] = model.scale_m;
    [low, (low + high) / 2, high].forEach((value, k) => {
      const words = model.units.height(value);
      find(`live-bar-${k}`).textContent = model.layer === "level" ? signed(words, value) : words;
    });
  }
}
