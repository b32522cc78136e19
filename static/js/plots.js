/* Reading values off a plot: pointer, tap or arrow keys.
 *
 * [data-plot]        a figure around the SVG; its columns are .plot-hit[data-hz][data-values]
 * [data-plot-read]   in the figure, where the values of the column read last are written
 * data-plot-out      on a figure without one: the id of the element they are written to instead
 *
 * The text of a plot is as large as the page's, however narrow the plot: numbers that would run into
 * each other are left out, and names of lines that would go into a legend below, as do those that
 * found no clear place when they were translated (data-legend). A window of another width, a phone
 * that is turned, sizes each plot anew from how it was drawn.
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

  const TEXT_PX = 14.2;
  const DRAWN_AT = 12;
  const SVG = "http://www.w3.org/2000/svg";
  const boxOf = (node) => {
    const { x, y, width, height } = node.getBBox();
    return { left: x, top: y, right: x + width, bottom: y + height };
  };
  const meet = (a, b, gap = 0) => a.left < b.right + gap && b.left < a.right + gap && a.top < b.bottom && b.top < a.bottom;

  /** Leave out each text that would touch one before it. */
  function thin(texts, gap) {
    const kept = [];
    for (const text of texts) {
      const box = boxOf(text);
      if (kept.some((other) => meet(box, other, gap))) text.remove();
      else kept.push(box);
    }
  }

  /** The names of the lines below the plot, each with a piece of its line. */
  function legend(svg, names) {
    const list = document.createElement("ul");
    list.className = "plot-legend";
    for (const name of names) {
      const number = /plot-name-(\d)/.exec(name.getAttribute("class") || "")?.[1];
      const drawn = number && svg.querySelector(`.plot-after.plot-line-${number}, .plot-before.plot-line-${number}`);
      const item = document.createElement("li");
      const piece = document.createElementNS(SVG, "svg");
      piece.setAttribute("viewBox", "0 0 36 6");
      piece.setAttribute("aria-hidden", "true");
      const line = document.createElementNS(SVG, "path");
      line.setAttribute("d", "M0 3H36");
      line.setAttribute("fill", "none");
      for (const what of ["stroke", "stroke-dasharray"]) {
        const value = drawn ? drawn.getAttribute(what) : { stroke: "currentColor", "stroke-dasharray": "1 4" }[what];
        if (value) line.setAttribute(what, value);
      }
      line.setAttribute("stroke-width", "2.6");
      if (number) line.setAttribute("class", `plot-line-${number}`);
      piece.append(line);
      item.append(piece, name.textContent);
      list.append(item);
    }
    svg.after(list);
  }

  const drawn = new WeakMap();
  const LAID = ["font-size", "viewBox"];

  /** Keep how a plot was drawn, or put it back: its text, its names, what is read of it. */
  function asDrawn(svg) {
    const first = drawn.get(svg);
    if (!first) {
      const copies = [...svg.childNodes].map((one) => one.cloneNode(true));
      drawn.set(svg, { copies, laid: LAID.map((name) => svg.getAttribute(name)) });
      return;
    }
    const hz = svg.querySelector(".plot-hit.read")?.dataset.hz;
    for (const [n, name] of LAID.entries()) svg.setAttribute(name, first.laid[n]);
    svg.replaceChildren(...first.copies.map((one) => one.cloneNode(true)));
    if (svg.nextElementSibling?.matches(".plot-legend")) svg.nextElementSibling.remove();
    if (hz) [...svg.querySelectorAll(".plot-hit")].find((one) => one.dataset.hz === hz)?.classList.add("read");
  }

  function size(svg) {
    const width = svg.clientWidth;
    if (!width || Number(svg.dataset.sized) === width) return;
    asDrawn(svg);
    svg.dataset.sized = width;
    const box = svg.viewBox.baseVal;
    const texts = [...svg.querySelectorAll(".plot-axis text")];
    const values = texts.filter((one) => one.getAttribute("text-anchor") === "end");
    const ticks = texts.filter((one) => one.getAttribute("text-anchor") === "middle");
    const hertz = ticks.pop();
    let font = (TEXT_PX * box.width) / width;
    if (font <= DRAWN_AT && !svg.dataset.legend) return;
    font = Math.max(font, DRAWN_AT);
    const more = Math.max(0, font * 2.2 - 46);
    const beyond = font * 0.6;
    font = Math.max(DRAWN_AT, (TEXT_PX * (box.width + more + beyond)) / width);
    const grows = font - DRAWN_AT;
    svg.setAttribute("font-size", font.toFixed(1));
    svg.setAttribute("viewBox", `${-more} ${-grows} ${box.width + more + beyond} ${box.height + grows * 3.3}`);
    const shift = (one, by) => one.setAttribute("y", Number(one.getAttribute("y")) + by);
    for (const one of ticks) shift(one, grows * 1.1);
    if (hertz) shift(hertz, grows * 2.2);
    for (const one of values) shift(one, one === values.at(-1) ? 0 : grows * 0.35);
    thin([values.at(-1), ...values.slice(0, -1)].filter(Boolean), 0);
    thin(ticks, font * 0.3);
    thin([...svg.querySelectorAll(".plot-mark text")], font * 0.3);
    const names = [...svg.querySelectorAll("text.plot-name, .plot-halo + text")];
    const boxes = names.map(boxOf);
    const clear = !svg.dataset.legend && boxes.every((one, n) => one.right < box.width && one.left > 0 && boxes.every((other, m) => m === n || !meet(one, other)));
    if (clear) {
      for (const [n, name] of names.entries()) {
        const halo = name.previousElementSibling;
        if (!halo?.matches(".plot-halo")) continue;
        const { left, top, right, bottom } = boxes[n];
        for (const [what, value] of [["x", left - 2], ["y", top], ["width", right - left + 4], ["height", bottom - top]]) halo.setAttribute(what, value);
      }
      return;
    }
    for (const halo of svg.querySelectorAll(".plot-halo")) halo.remove();
    for (const name of names) name.remove();
    legend(svg, names);
  }
  const sizeAll = () => document.querySelectorAll("svg.plot").forEach(size);
  document.addEventListener("htmx:afterSettle", sizeAll);
  window.addEventListener("resize", () => requestAnimationFrame(sizeAll));
  sizeAll();

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
