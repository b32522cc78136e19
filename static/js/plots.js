/* Reading values off a plot: pointer, tap or arrow keys.
 *
 * [data-plot]        a figure around the SVG; its columns are .plot-hit[data-hz][data-values]
 * [data-plot-read]   where the values of the column read last are written
 */
(() => {
  "use strict";

  const hits = (figure) => [...figure.querySelectorAll(".plot-hit")];

  function read(figure, hit) {
    const out = figure.querySelector("[data-plot-read]");
    if (!hit || !out || hit.classList.contains("read")) return;
    for (const other of figure.querySelectorAll(".plot-hit.read")) other.classList.remove("read");
    hit.classList.add("read");
    const title = document.createElement("b");
    title.textContent = hit.dataset.hz;
    const parts = hit.dataset.values.split("|").map((text) => {
      const span = document.createElement("span");
      span.textContent = text;
      return span;
    });
    out.replaceChildren(title, ...parts);
  }

  function pointed(event) {
    const hit = event.target.closest?.(".plot-hit");
    const figure = hit?.closest("[data-plot]");
    if (figure) read(figure, hit);
  }

  const STEPS = { ArrowRight: 1, ArrowLeft: -1, PageUp: 3, PageDown: -3 };

  document.addEventListener("pointermove", pointed);
  document.addEventListener("click", pointed);
  document.addEventListener("keydown", (event) => {
    const figure = event.target.closest?.("[data-plot]");
    if (!figure || event.target !== figure) return;
    const all = hits(figure);
    const now = all.findIndex((hit) => hit.classList.contains("read"));
    let next = null;
    if (event.key in STEPS) next = now < 0 ? Math.floor(all.length / 2) : now + STEPS[event.key];
    else if (event.key === "Home") next = 0;
    else if (event.key === "End") next = all.length - 1;
    if (next === null) return;
    event.preventDefault();
    read(figure, all[Math.min(Math.max(next, 0), all.length - 1)]);
  });

  /* A tap shows the values below the plot: the browser's own tooltip would only repeat them. */
  document.addEventListener("pointerover", (event) => {
    const title = event.target.closest?.("[data-plot] .plot-hit")?.querySelector("title");
    if (title) title.remove();
  });
})();
