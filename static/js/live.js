/* The bay sheet follows what others change.
 *
 * .sheet[data-changes][data-since][data-section]   where to ask, from which event on, what is shown
 *
 * Rows come in place, except those that hold something unsaved here. When more than rows changed,
 * the page is read again if nothing is being done on it; otherwise a line offers it.
 */
(() => {
  "use strict";

  const EVERY_MS = 6000;
  const SLOW_MS = 20000;
  const sheet = document.querySelector(".sheet[data-changes]");
  if (!sheet) return;
  const { outbox } = Loombook;
  let since = sheet.dataset.since;
  let asking = false;
  let timer = 0;

  /** Something typed outside the rows, an open dialog, or the focus in the entries. */
  function inUse() {
    if (Loombook.cells.busy() || document.querySelector("dialog[open]")) return true;
    const body = sheet.querySelector(".bay-body");
    if (body.contains(document.activeElement)) return true;
    return [...sheet.querySelectorAll("form:not([data-cell-form]) :is(input:not([type=hidden]), textarea)")].some(
      (c) => !c.closest(Loombook.rows.ROW) && (c.type === "checkbox" || c.type === "radio" ? c.checked !== c.defaultChecked : c.value !== c.defaultValue),
    );
  }

  function offer(by) {
    const said = document.getElementById("said");
    if (said.querySelector("[data-reload]")) return;
    const line = document.createElement("p");
    line.textContent = told("%(by)s changed this sheet.", { by });
    const show = document.createElement("button");
    show.type = "button";
    show.className = "btn small-text";
    show.dataset.reload = "";
    show.textContent = told("Show it as it is now");
    show.addEventListener("click", () => location.reload());
    said.className = "said note";
    said.replaceChildren(line, show);
    document.dispatchEvent(new CustomEvent("bay:said"));
  }

  /** What is done by a tap carries this device's name too: its own page need not be told of it. */
  document.addEventListener("htmx:configRequest", (event) => {
    const { verb, parameters } = event.detail;
    if (verb === "get" || (parameters.key || "").includes("_")) return;
    parameters.key = parameters.key ? `${outbox.device}_${parameters.key}` : outbox.makeKey();
  });

  async function ask() {
    const seen = document.getElementById("seen")?.value || "";
    const show = new URLSearchParams(location.search).get("show") || "";
    const query = new URLSearchParams({ since, device: outbox.device, section: sheet.dataset.section, show, page: location.pathname, seen });
    const answer = await fetch(`${sheet.dataset.changes}?${query}`, { headers: { "HX-Request": "true", "Loombook-By-Itself": "1" } });
    const about = Loombook.aboutOf(answer);
    if (about !== "entry" || !answer.ok) return about === "signed-out" ? SLOW_MS : EVERY_MS;
    outbox.heard();
    const newest = answer.headers.get("Loombook-Since");
    if (answer.status === 204) since = newest;
    else if (answer.headers.get("Loombook-Whole")) {
      if (inUse()) offer(decodeURIComponent(answer.headers.get("Loombook-By")));
      else location.reload();
    } else if (!Loombook.cells.refresh(await answer.text())) since = newest;
    return EVERY_MS;
  }

  async function turn() {
    clearTimeout(timer);
    if (asking || document.hidden) return;
    asking = true;
    let wait = SLOW_MS;
    try {
      wait = await ask();
    } catch {
      /* no network: the next turn comes later */
    }
    asking = false;
    timer = setTimeout(turn, wait);
  }

  document.addEventListener("visibilitychange", turn);
  window.addEventListener("online", turn);
  timer = setTimeout(turn, EVERY_MS);
})();
