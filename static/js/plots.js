/* Reading values off a plot: pointer, tap or arrow keys.
 *
 * [data-plot]        a figure around the SVG; its columns are .plot-hit[data-hz][data-values]
 * [data-plot-read]   in the figure, where the values of the column read last are written
 * data-plot-out      on a figure without one: the id of the element they are written to instead
 *
 * A plot that is drawn again is read again at the frequency read last.
 */
(() => {
  "use strict";

  const hits = (figure) => [...figure.querySelectorAll(".plot-hit")];

  const outOf = (figure) =>
    figure.querySelector("[data-plot-read]") || document.getElementById(figure.dataset.plotOut || "");

  function read(figure, hit) {
    const out = outOf(figure);
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
    out.dataset.hz = hit.dataset.hz;
    out.replaceChildren(title, ...parts);
  }

  document.addEventListener("htmx:afterSettle", (event) => {
    for (const figure of event.target.querySelectorAll?.("[data-plot-out]") || []) {
      const { hz } = outOf(figure)?.dataset || {};
      if (hz) read(figure, hits(figure).find((hit) => hit.dataset.hz === hz));
    }
  });

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
