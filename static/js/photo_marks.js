/* Circles and arrows on a photo: drawn with finger, mouse or keys, kept in #annotations as JSON.
 *
 * Places are fractions of the picture, as in jobs/photos/marks.py, which draws the same shapes.
 */
(() => {
  "use strict";

  const figure = document.querySelector('[data-draw="on"]');
  const store = document.getElementById("annotations");
  if (!figure || !store) return;
  const NS = "http://www.w3.org/2000/svg";
  const WIDTH = Number(figure.dataset.width);
  const HEIGHT = Number(figure.dataset.height);
  const LINE = 0.008 * Math.max(WIDTH, HEIGHT);
  const RIM = 3 * LINE;
  const HEAD = 5 * LINE;
  const STEP = 0.02;
  const SMALL = 0.01;
  const MOST = 40;

  const tools = document.getElementById("draw-tools");
  const said = tools.querySelector("[data-draw-said]");
  const undoButton = tools.querySelector("[data-draw-undo]");
  const removeButton = tools.querySelector("[data-draw-remove]");
  const frame = figure.querySelector(".photo-picture");
  frame.querySelector(".photo-marks")?.remove();

  const make = (name, attributes) => {
    const node = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };
  const svg = make("svg", {
    class: "photo-marks drawing",
    viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
    tabindex: "0",
    role: "application",
    "aria-label": told("Drawing on the photo. Enter adds a mark, arrow keys move it, N chooses the next."),
  });
  frame.append(svg);
  tools.hidden = false;

  let marks = [];
  try {
    marks = JSON.parse(store.value || "[]");
  } catch {
    marks = [];
  }
  const past = [];
  let chosen = -1;
  const kept = store.value;

  const tool = () => tools.querySelector("[name=draw_tool]:checked").value;
  const within = (value) => Math.min(1, Math.max(0, Math.round(value * 10000) / 10000));
  const clone = () => marks.map((mark) => ({ ...mark }));

  function shape(mark) {
    if (mark.kind === "circle") {
      return [make("circle", { cx: mark.x * WIDTH, cy: mark.y * HEIGHT, r: mark.r * WIDTH })];
    }
    const [x, y] = [mark.x2 * WIDTH, mark.y2 * HEIGHT];
    const [fromX, fromY] = [mark.x1 * WIDTH, mark.y1 * HEIGHT];
    const angle = Math.atan2(y - fromY, x - fromX);
    const corner = (turn) => [x - HEAD * Math.cos(angle + turn), y - HEAD * Math.sin(angle + turn)];
    const [left, right] = [corner(-0.45), corner(0.45)];
    const neck = [(left[0] + right[0]) / 2, (left[1] + right[1]) / 2];
    return [
      make("path", { d: `M${fromX} ${fromY}L${neck}` }),
      make("path", { class: "head", d: `M${x} ${y}L${left}L${right}Z` }),
    ];
  }

  function draw() {
    const rim = make("g", { class: "rim", "stroke-width": RIM });
    const ink = make("g", { class: "ink", "stroke-width": LINE });
    marks.forEach((mark, index) => {
      const outline = make("g", index === chosen && document.activeElement === svg ? { class: "chosen" } : {});
      outline.append(...shape(mark));
      rim.append(outline);
      ink.append(...shape(mark));
    });
    svg.replaceChildren(rim, ink);
    undoButton.disabled = !past.length;
    removeButton.disabled = !marks[chosen];
  }

  /** Write the marks down; one step back leads to `before`. */
  function settle(before, words) {
    past.push(before);
    store.value = JSON.stringify(marks);
    said.textContent = words;
    draw();
  }

  function undo() {
    if (!past.length) return;
    marks = past.pop();
    chosen = marks.length - 1;
    store.value = JSON.stringify(marks);
    said.textContent = told("Undone.");
    draw();
  }

  const name = (mark) => (mark.kind === "circle" ? told("Circle") : told("Arrow"));
  const where = (mark) => {
    const [x, y] = mark.kind === "circle" ? [mark.x, mark.y] : [mark.x2, mark.y2];
    return told("%(mark)s at %(across)s across, %(down)s down.", { mark: name(mark), across: `${Math.round(x * 100)} %`, down: `${Math.round(y * 100)} %` });
  };

  function add(x = 0.5, y = 0.5) {
    if (marks.length >= MOST) {
      said.textContent = told("At most %(most)s marks.", { most: MOST });
      return;
    }
    const before = clone();
    marks.push(
      tool() === "circle"
        ? { kind: "circle", x: within(x), y: within(y), r: 0.08 }
        : { kind: "arrow", x1: within(x - 0.15), y1: within(y + 0.15), x2: within(x), y2: within(y) },
    );
    chosen = marks.length - 1;
    settle(before, where(marks[chosen]));
  }

  function remove() {
    if (!marks[chosen]) return;
    const before = clone();
    const [gone] = marks.splice(chosen, 1);
    chosen = marks.length - 1;
    settle(before, told("%(mark)s removed.", { mark: name(gone) }));
  }

  // Pointer: drag draws, a tap puts one of the usual size ------------------------------------------

  let drag = null;
  const at = (event) => {
    const box = svg.getBoundingClientRect();
    return [within((event.clientX - box.left) / box.width), within((event.clientY - box.top) / box.height)];
  };

  svg.addEventListener("pointerdown", (event) => {
    if (event.button || drag || marks.length >= MOST) return;
    event.preventDefault();
    svg.focus({ preventScroll: true });
    svg.setPointerCapture(event.pointerId);
    drag = { id: event.pointerId, from: at(event), before: clone(), mark: null };
  });
  svg.addEventListener("pointermove", (event) => {
    if (drag?.id !== event.pointerId) return;
    const [x, y] = at(event);
    const [fromX, fromY] = drag.from;
    const length = Math.hypot(x - fromX, ((y - fromY) * HEIGHT) / WIDTH);
    if (!drag.mark && length < SMALL) return;
    if (!drag.mark) {
      drag.mark = tool() === "circle" ? { kind: "circle", x: fromX, y: fromY, r: 0 } : { kind: "arrow", x1: fromX, y1: fromY, x2: x, y2: y };
      marks.push(drag.mark);
      chosen = marks.length - 1;
    }
    if (drag.mark.kind === "circle") drag.mark.r = within(Math.max(length, SMALL));
    else Object.assign(drag.mark, { x2: x, y2: y });
    draw();
  });
  svg.addEventListener("pointerup", (event) => {
    if (drag?.id !== event.pointerId) return;
    const { mark, before, from } = drag;
    drag = null;
    if (mark) settle(before, where(mark));
    else add(...from);
  });
  svg.addEventListener("pointercancel", () => {
    if (drag) marks = drag.before;
    drag = null;
    draw();
  });

  // Keys ---------------------------------------------------------------------------------------------

  const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

  function moved(mark, [dx, dy], shift) {
    const [x, y] = [dx * STEP, dy * STEP];
    if (mark.kind === "circle") {
      if (shift) return { ...mark, r: Math.max(SMALL, within(mark.r + x - y)) };
      return { ...mark, x: within(mark.x + x), y: within(mark.y + y) };
    }
    const tail = { x1: within(mark.x1 + x), y1: within(mark.y1 + y) };
    if (shift) return { ...mark, ...tail };
    return { ...mark, ...tail, x2: within(mark.x2 + x), y2: within(mark.y2 + y) };
  }

  svg.addEventListener("keydown", (event) => {
    const way = WAYS[event.key];
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      event.preventDefault();
      return undo();
    }
    if (event.ctrlKey || event.altKey || event.metaKey) return undefined;
    if (way && marks[chosen]) {
      event.preventDefault();
      const before = clone();
      marks[chosen] = moved(marks[chosen], way, event.shiftKey);
      return settle(before, where(marks[chosen]));
    }
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      return add();
    }
    if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      return remove();
    }
    if (event.key.toLowerCase() === "n" && marks.length) {
      chosen = (chosen + 1) % marks.length;
      said.textContent = where(marks[chosen]);
      draw();
    }
    return undefined;
  });
  svg.addEventListener("focus", draw);
  svg.addEventListener("blur", draw);

  tools.querySelector("[data-draw-add]").addEventListener("click", () => {
    add();
    svg.focus();
  });
  undoButton.addEventListener("click", undo);
  removeButton.addEventListener("click", remove);

  let saving = false;
  store.form.addEventListener("submit", () => {
    saving = true;
  });
  window.addEventListener("beforeunload", (event) => {
    if (!saving && store.value !== kept) event.preventDefault();
  });
  draw();
})();
