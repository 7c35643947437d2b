"use strict";
// What the page does by itself: takes a scan in, follows the work, points at the exit.
// Foreign text is put in as text alone; every address is relative to the page's own.
(() => {
  const by = (id) => document.getElementById(id);
  const state = document.body.dataset.state;
  const error = by("error");

  const say = (text) => {
    error.textContent = text;
    error.hidden = !text;
    if (text) error.scrollIntoView({ block: "nearest" });
  };

  const gone = "pourdatum does not answer: it was ended, or the window it runs in was closed";

  // Posts words; gives whether all is well, and says what is not.
  const post = async (where, words = {}) => {
    try {
      const answer = await fetch(where, { method: "POST", body: JSON.stringify(words) });
      const told = await answer.json();
      if (!answer.ok) say(told.told);
      return answer.ok;
    } catch {
      say(gone);
      return false;
    }
  };

  const show = () => location.reload();
  const heading = document.querySelector("h1");
  if (Number(document.body.dataset.version) > 0) heading.focus();

  // Buttons.

  let sending = null;
  const acts = {
    stop: async (button) => {
      button.disabled = true;
      button.textContent = "Stopping";
      if (!(await post("stop"))) return;
      if (state === "asking") show();
    },
    again: async () => (await post("again")) && show(),
    untake: () => sending && sending.abort(),
    skip: () => reply(null),
    end: async () => {
      if (!(await post("end"))) return;
      document.querySelector("main").replaceChildren();
      document.querySelector("footer").replaceChildren();
      heading.textContent = "pourdatum has ended. This tab can be closed.";
      heading.focus();
    },
  };
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", () => acts[button.dataset.do](button));
  }

  // The first screen.

  const begin = by("begin");
  if (begin) {
    const input = by("scan");
    const drop = by("drop");
    const size = (bytes) =>
      bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;

    const list = () => {
      const items = [...input.files].map((file) => {
        const item = document.createElement("li");
        item.textContent = `${file.name}, ${size(file.size)}`;
        return item;
      });
      by("chosen").replaceChildren(...items);
    };
    input.addEventListener("change", list);
    list();

    // A scan that misses the field must not take the page's place.
    for (const kind of ["dragover", "drop"]) {
      addEventListener(kind, (event) => event.preventDefault());
    }
    addEventListener("dragover", () => drop.classList.add("over"));
    addEventListener("dragleave", (event) => event.relatedTarget || drop.classList.remove("over"));
    addEventListener("drop", (event) => {
      drop.classList.remove("over");
      if (event.dataTransfer.files.length) {
        input.files = event.dataTransfer.files;
        list();
      }
    });

    const plan = begin.querySelector("[data-plan]");
    const ofPlan = () => {
      plan.hidden = begin.elements.command.value !== "plan";
    };
    begin.addEventListener("change", ofPlan);
    ofPlan();

    let campaign = ""; // Of what this tab dropped: another tab may drop something else meanwhile.
    const take = (file, first, told) =>
      new Promise((well) => {
        sending = new XMLHttpRequest();
        sending.open("POST", "take");
        sending.setRequestHeader("X-Name", encodeURIComponent(file.name));
        sending.setRequestHeader("X-First", first ? "1" : "0");
        if (!first) sending.setRequestHeader("X-Campaign", campaign);
        sending.upload.addEventListener("progress", (event) => told(event.loaded));
        sending.addEventListener("load", () => {
          if (sending.status === 200) {
            campaign = JSON.parse(sending.responseText).campaign;
            return well(true);
          }
          let text = gone;
          try {
            text = JSON.parse(sending.responseText).told;
          } catch {}
          say(text);
          return well(false);
        });
        sending.addEventListener("error", () => {
          say(`${file.name}: it could not be taken in; choose it again, or give its path`);
          well(false);
        });
        sending.addEventListener("abort", () => well(false));
        sending.send(file);
      });

    const takeAll = async (files) => {
      const bar = by("taking").querySelector("progress");
      const all = files.reduce((sum, file) => sum + file.size, 0);
      // Asked first: a server that refuses a body unread may not be heard.
      if (!(await post("room", { bytes: all }))) return false;
      let before = 0;
      for (const [index, file] of files.entries()) {
        by("taking-words").textContent = `Taking in ${file.name}`;
        const well = await take(file, index === 0, (done) => {
          bar.value = Math.min(1, (before + done) / (all || 1));
        });
        if (!well) return false;
        before += file.size;
      }
      return true;
    };

    begin.addEventListener("submit", async (event) => {
      event.preventDefault();
      say("");
      const files = [...input.files];
      const words = Object.fromEntries(
        [...new FormData(begin)].filter(([, value]) => typeof value === "string"),
      );
      if (files.length && words.paths.trim()) {
        return say("a scan was dropped and a path typed: leave one of them away");
      }
      const kept = Boolean(words.kept) && !files.length && !words.paths.trim();
      words.dropped = kept || files.length > 0;
      const button = begin.querySelector("[type=submit]");
      button.disabled = true;
      by("taking").hidden = !files.length;
      let well = !files.length || (await takeAll(files));
      if (words.dropped) words.campaign = kept ? words.kept : campaign;
      well = well && (await post("begin", words));
      by("taking").hidden = true;
      button.disabled = false;
      if (well) show();
    });
  }

  // While it works.

  if (state === "working") {
    const stage = by("stage");
    const bar = by("bar");
    const follow = async () => {
      try {
        const now = await (await fetch("state")).json();
        say("");
        if (String(now.version) !== document.body.dataset.version) return show();
        if (stage.textContent !== now.tell.stage) stage.textContent = now.tell.stage;
        if (now.tell.done === null) bar.removeAttribute("value");
        else bar.value = now.tell.done;
        by("pace").textContent = now.tell.words;
      } catch {
        say(gone);
      }
      setTimeout(follow, 500);
    };
    follow();
  }

  // A question.

  const answering = by("answering");
  const reply = async (answer) => {
    if (await post("answer", { number: Number(answering.dataset.number), answer })) show();
  };
  if (answering) {
    const [x, y] = [by("exit-x"), by("exit-y")];
    answering.addEventListener("submit", (event) => {
      event.preventDefault();
      const told = x ? `${x.value},${y.value}` : answering.elements.answer.value;
      if (x ? !x.value.trim() || !y.value.trim() : !told.trim()) {
        return say(x ? "no place is given: touch, choose or type one" : "choose an answer first");
      }
      return reply(told);
    });
    if (x) pointing(x, y);
  }

  function pointing(x, y) {
    const plan = by("plan");
    const mark = by("mark");
    const [x0, y0, unit] = ["x", "y", "unit"].map((name) => Number(plan.dataset[name]));
    const fine = unit > 0.1 ? 2 : 0;

    // The plan has metres from the origin, y down; the scan its own unit.
    const draw = () => {
      const [across, up] = [Number(x.value) * unit - x0, Number(y.value) * unit - y0];
      const there = x.value.trim() && y.value.trim() && Number.isFinite(across + up);
      mark.toggleAttribute("hidden", !there);
      if (there) {
        mark.setAttribute("cx", across);
        mark.setAttribute("cy", -up);
      }
    };
    // A crew leaves over the floor's edge: a touch means the nearest place on it.
    const edge = plan.dataset.edge.split(" ").map((corner) => corner.split(",").map(Number));
    const atEdge = (touch) => {
      let best = { x: touch.x, y: touch.y, away: Infinity };
      edge.forEach(([ax, ay], index) => {
        const [bx, by] = edge[(index + 1) % edge.length];
        const square = (bx - ax) ** 2 + (by - ay) ** 2 || 1;
        const along = ((touch.x - ax) * (bx - ax) + (touch.y - ay) * (by - ay)) / square;
        const share = Math.min(1, Math.max(0, along));
        const near = { x: ax + share * (bx - ax), y: ay + share * (by - ay) };
        near.away = Math.hypot(touch.x - near.x, touch.y - near.y);
        if (near.away < best.away) best = near;
      });
      return best;
    };

    plan.addEventListener("click", (event) => {
      const at = atEdge(
        new DOMPoint(event.clientX, event.clientY).matrixTransform(plan.getScreenCTM().inverse()),
      );
      x.value = ((at.x + x0) / unit).toFixed(fine);
      y.value = ((y0 - at.y) / unit).toFixed(fine);
      by("side").value = "";
      draw();
    });
    by("side").addEventListener("change", () => {
      const told = by("side").value;
      if (told) [x.value, y.value] = told.split(",");
      draw();
    });
    for (const field of [x, y]) field.addEventListener("input", draw);
  }
})();
