// Where the page begins: what is drawn without a script stays until all is ready.

// A table wider than a phone is moved by keys as well: its section takes the focus then.
function letTablesMove() {
  for (const section of document.querySelectorAll("section")) {
    const wide = section.scrollWidth > section.clientWidth;
    if (wide && section.id !== "live") {
      section.tabIndex = 0;
      section.ariaLabel = section.querySelector("h2")?.textContent ?? null;
    } else if (section.id !== "live") {
      section.removeAttribute("tabindex");
      section.removeAttribute("aria-label");
    }
  }
}

async function start() {
  const section = find("live");
  if (!section || typeof DecompressionStream === "undefined") return;
  const data = JSON.parse(find("live-data").textContent);
  const model = await modelOf(data);
  section.hidden = false;
  document.documentElement.classList.add("is-live");
  new LivePage(model);
  letTablesMove();
  addEventListener("resize", letTablesMove);
  // Milliseconds since the page was opened.
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
}

start();
