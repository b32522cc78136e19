/* The front desk's pages: pick lists, slots, lines that can be removed, marks on the car, the board.
 *
 * [data-combo]              a search box with a listbox that htmx fills: arrow keys, Enter, Escape
 * [data-fill][data-value]   puts a value into the control with that id
 * [data-remove-line]        takes its <li> away and offers to put it back
 * [data-slot-from]          puts a free time of a bay into the slot
 * [data-slot-minutes]       makes the slot so long
 * [data-slider]             shows the value of a range beside it
 * [data-marks]              the condition picture: a tap adds a mark
 * [data-board]              asks for news every 20 s while it is seen
 * form[data-at-once]        is sent when one of its controls changes
 * form[data-keep]           asks before leaving with something typed
 */
(() => {
  "use strict";

  const REFRESH_MS = 20000;
  const closest = (event, selector) => event.target.closest?.(selector);
  const changed = (control) => {
    control.dispatchEvent(new Event("input", { bubbles: true }));
    control.dispatchEvent(new Event("change", { bubbles: true }));
  };

  // Pick lists -------------------------------------------------------------------------------------

  const comboOf = (node) => node.closest?.("[data-combo]");
  const inputOf = (combo) => combo.querySelector("[role=combobox]");
  const listOf = (combo) => combo.querySelector("[role=listbox]");
  const optionsOf = (combo) => [...combo.querySelectorAll("[role=option]:not([aria-disabled])")];

  function activate(combo, option) {
    for (const other of optionsOf(combo)) other.setAttribute("aria-selected", String(other === option));
    const input = inputOf(combo);
    if (option) {
      input.setAttribute("aria-activedescendant", option.id);
      option.scrollIntoView({ block: "nearest" });
    } else input.removeAttribute("aria-activedescendant");
  }

  function shut(combo) {
    listOf(combo).replaceChildren();
    activate(combo, null);
    inputOf(combo).setAttribute("aria-expanded", "false");
  }

  function take(combo, option) {
    htmx.trigger(option, "click");
    option.addEventListener("htmx:afterRequest", () => {
      if (!combo.isConnected) return;
      inputOf(combo).value = "";
      shut(combo);
      inputOf(combo).focus();
    });
  }

  document.addEventListener("keydown", (event) => {
    const input = closest(event, "[data-combo] [role=combobox]");
    if (!input || event.isComposing) return;
    const combo = comboOf(input);
    const options = optionsOf(combo);
    const at = options.findIndex((option) => option.getAttribute("aria-selected") === "true");
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      const step = event.key === "ArrowDown" ? 1 : -1;
      const next = at < 0 ? (step > 0 ? 0 : options.length - 1) : (at + step + options.length) % options.length;
      if (options.length) activate(combo, options[next]);
    } else if (event.key === "Enter") {
      event.preventDefault();
      const chosen = options[at] || options[0];
      if (chosen) take(combo, chosen);
    } else if (event.key === "Escape" && options.length) {
      event.preventDefault();
      shut(combo);
    }
  });
  document.addEventListener("htmx:afterSwap", (event) => {
    const list = event.target.closest?.("[data-combo] [role=listbox]");
    if (list) inputOf(comboOf(list)).setAttribute("aria-expanded", String(list.children.length > 0));
  });
  document.addEventListener("click", (event) => {
    const option = closest(event, "[data-combo] [role=option]:not([aria-disabled])");
    if (option && event.isTrusted) {
      const combo = comboOf(option);
      option.addEventListener("htmx:afterRequest", () => {
        if (!combo.isConnected) return;
        inputOf(combo).value = "";
        shut(combo);
        inputOf(combo).focus();
      });
      return;
    }
    for (const combo of document.querySelectorAll("[data-combo]")) if (!combo.contains(event.target)) shut(combo);
  });

  // Values put in by a button, lines taken away and put back --------------------------------------------

  document.addEventListener("click", (event) => {
    const button = closest(event, "[data-fill]");
    const control = button && document.getElementById(button.dataset.fill);
    if (!control) return;
    control.value = button.dataset.value;
    changed(control);
    control.focus();
  });

  document.addEventListener("click", (event) => {
    const line = closest(event, "[data-remove-line]")?.closest("li");
    if (!line) return;
    const undo = document.createElement("button");
    undo.type = "button";
    undo.className = "btn";
    undo.textContent = told("Put it back");
    const stand = document.createElement("li");
    stand.className = "gone";
    const words = document.createElement("span");
    const what = line.querySelector("[data-called]")?.textContent || line.querySelector("b")?.textContent || told("It");
    words.textContent = told("%(what)s is taken out.", { what });
    stand.append(words, undo);
    undo.addEventListener("click", () => {
      stand.replaceWith(line);
      line.dispatchEvent(new CustomEvent("lines:changed", { bubbles: true }));
      line.querySelector("[data-remove-line]").focus();
    });
    line.replaceWith(stand);
    stand.dispatchEvent(new CustomEvent("lines:changed", { bubbles: true }));
    undo.focus();
  });

  // The slot: a change of its start moves its end and the promise along -------------------------------------

  const pairOf = (form, name) => [form.elements[`${name}_0`], form.elements[`${name}_1`]];
  const read = ([day, time]) => (day?.value && time?.value ? new Date(`${day.value}T${time.value}`) : null);
  const two = (number) => String(number).padStart(2, "0");

  function write([day, time], moment) {
    day.value = `${moment.getFullYear()}-${two(moment.getMonth() + 1)}-${two(moment.getDate())}`;
    time.value = `${two(moment.getHours())}:${two(moment.getMinutes())}`;
  }

  function watchSlot(box) {
    const form = box.closest("form");
    const starts = pairOf(form, "starts_at");
    const ends = pairOf(form, "ends_at");
    const promised = pairOf(form, "promised_at");
    let was = { starts: read(starts), ends: read(ends) };
    let length = was.starts && was.ends ? was.ends - was.starts : 4 * 3600e3;

    const shift = (pair, by) => {
      const moment = read(pair);
      if (moment) write(pair, new Date(moment.getTime() + by));
    };
    const settle = () => {
      const now = { starts: read(starts), ends: read(ends) };
      if (!now.starts || !now.ends) return;
      if (was.starts && was.ends && now.starts - was.starts !== 0 && now.ends - was.ends === 0) {
        shift(ends, now.starts - was.starts);
        now.ends = read(ends);
      }
      if (was.ends && now.ends - was.ends !== 0) shift(promised, now.ends - was.ends);
      was = now;
      if (now.ends > now.starts) length = now.ends - now.starts;
    };
    box.addEventListener("change", settle);
    document.addEventListener("click", (event) => {
      const usual = closest(event, "[data-slot-minutes]");
      const from = usual && form.contains(usual) && read(starts);
      if (!from) return;
      write(ends, new Date(from.getTime() + usual.dataset.slotMinutes * 60000));
      settle();
      box.dispatchEvent(new CustomEvent("slot:moved", { bubbles: true }));
      ends[1].focus();
    });
    document.addEventListener("click", (event) => {
      const free = closest(event, "[data-slot-from]");
      if (!free || !form.contains(free)) return;
      const bay = form.querySelector(`[name=bay][value="${free.dataset.slotBay}"]`);
      if (bay) bay.checked = true;
      const from = new Date(`${starts[0].value}T${free.dataset.slotFrom}`);
      const to = new Date(`${starts[0].value}T${free.dataset.slotTo}`);
      write(starts, from);
      write(ends, new Date(Math.min(from.getTime() + length, to > from ? to : from.getTime() + length)));
      const now = read(ends);
      if (was.ends) shift(promised, now - was.ends);
      was = { starts: from, ends: now };
      box.dispatchEvent(new CustomEvent("slot:moved", { bubbles: true }));
      starts[1].focus();
    });
  }

  // Marks on the car -------------------------------------------------------------------------------------------

  const SVG = "http://www.w3.org/2000/svg";

  function watchMarks(svg) {
    const list = document.getElementById(svg.dataset.marks);
    const layer = svg.querySelector("[data-mark-layer]");
    const places = [...document.querySelectorAll("#mark-place option[data-x]")];
    const { width, height } = svg.viewBox.baseVal;
    const tool = () => document.querySelector("[name=mark_tool]:checked")?.value || "scratch";

    const nameOf = (x, y) =>
      places
        .map((option) => [Math.hypot((option.dataset.x - x) * width, (option.dataset.y - y) * height), option.textContent])
        .sort((a, b) => a[0] - b[0])[0]?.[1] || "";

    function draw() {
      layer.replaceChildren();
      [...list.querySelectorAll(":scope > li:not(.gone)")].forEach((line, index) => {
        const value = (name) => line.querySelector(`[name=${name}]`).value;
        line.querySelector("[data-number]").textContent = index + 1;
        const dot = document.createElementNS(SVG, "g");
        dot.setAttribute("class", "dot");
        dot.setAttribute("transform", `translate(${value("mark_x") * width} ${value("mark_y") * height})`);
        const circle = document.createElementNS(SVG, "circle");
        circle.setAttribute("r", "9");
        const text = document.createElementNS(SVG, "text");
        text.setAttribute("y", "4");
        text.textContent = index + 1;
        dot.append(circle, text);
        layer.append(dot);
      });
      document.querySelector("[data-no-marks]").hidden = Boolean(list.querySelector("li"));
    }

    function add(x, y) {
      const line = document.getElementById("mark-line").content.firstElementChild.cloneNode(true);
      line.querySelector("[name=mark_kind]").value = tool();
      line.querySelector("[name=mark_x]").value = x.toFixed(4);
      line.querySelector("[name=mark_y]").value = y.toFixed(4);
      const key = window.loombookPhotos?.makeKey() || "";
      line.querySelector("[name=mark_key]").value = key;
      line.querySelector("[data-photos]").dataset.photos = `mark:${key}`;
      line.querySelector("[data-place]").textContent = nameOf(x, y);
      list.append(line);
      draw();
      changed(line.querySelector("[name=mark_kind]"));
      return line;
    }

    svg.addEventListener("click", (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const [x, y] = [point.x / width, point.y / height];
      if (x >= 0 && x <= 1 && y >= 0 && y <= 1) add(x, y);
    });
    document.querySelector("[data-mark-add]")?.addEventListener("click", () => {
      const option = document.getElementById("mark-place").selectedOptions[0];
      if (option?.dataset.x) add(Number(option.dataset.x), Number(option.dataset.y)).querySelector("[name=mark_note]").focus();
    });
    list.addEventListener("lines:changed", draw);
    draw();
  }

  // The board: news without a jump ---------------------------------------------------------------------------------

  function watchBoard(board) {
    const ask = () => {
      if (!document.hidden && board.isConnected) htmx.trigger(board, "board:ask");
    };
    let left = 0;
    /* Nobody is at work: the time after which an idle browser is signed out goes on. */
    board.addEventListener("htmx:configRequest", ({ detail }) => {
      if (detail.elt === board && detail.triggeringEvent?.type === "board:ask") detail.headers["Loombook-By-Itself"] = "1";
    });
    board.addEventListener("htmx:beforeSwap", () => {
      left = board.scrollLeft;
    });
    board.addEventListener("htmx:afterSettle", () => {
      board.scrollLeft = left;
    });
    setInterval(ask, REFRESH_MS);
    document.addEventListener("visibilitychange", ask);
  }

  // Sliders, errors, leaving -----------------------------------------------------------------------------------------

  /** A slider that nobody has moved says "not read" and sends nothing. */
  function watchSlider(range) {
    const { name } = range;
    const out = document.createElement("output");
    out.className = "slider-value";
    const show = () => {
      const read = range.dataset.read !== undefined;
      range.name = read ? name : "";
      out.textContent = read ? `${range.value} ${range.dataset.slider}` : told("Not read");
    };
    range.after(out);
    range.addEventListener("input", () => {
      range.dataset.read = "";
      show();
    });
    show();
  }

  let dirty = false;
  document.addEventListener("input", (event) => {
    if (closest(event, "form[data-keep]") && event.target.name && event.target.type !== "search") dirty = true;
  });
  document.addEventListener("submit", () => {
    dirty = false;
  });
  window.addEventListener("beforeunload", (event) => {
    if (dirty) event.preventDefault();
  });

  /** A filter acts when it is touched; without a script its button does. */
  document.querySelectorAll("form[data-at-once]").forEach((form) => {
    form.querySelector("button:not([type=button])").hidden = true;
    form.addEventListener("change", () => form.requestSubmit());
  });

  document.querySelectorAll("[data-slot]").forEach(watchSlot);
  document.querySelectorAll("svg[data-marks]").forEach(watchMarks);
  document.querySelectorAll("[data-board]").forEach(watchBoard);
  document.querySelectorAll("input[data-slider]").forEach(watchSlider);
  document.querySelector("[data-form-errors]")?.focus();
})();
