// Where the page begins: what is drawn without a script stays until all is ready.

async function start() {
  const section = find("live");
  if (!section || typeof DecompressionStream === "undefined") return;
  const data = JSON.parse(find("live-data").textContent);
  const model = await modelOf(data);
  section.hidden = false;
  document.documentElement.classList.add("is-live");
  new LivePage(model);
  // Milliseconds since the page was opened.
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
}

start();
