/* The plan: a job is moved with the mouse, a held finger or the arrow keys; the server makes the move.
 *
 * [data-plan][data-span]         the plan; [data-moves] when this person may move jobs
 * [data-plan-job]                a job: the address of its move, data-version, data-bay, data-from, data-minutes
 * tr[data-bay]                   a bay; the table of a day says when it begins, a cell of a week its day
 *
 * Times are the shop's own, written as 2026-05-31T10:15, and are only added to here.
 */
(() => {
  "use strict";

  const QUARTER_MIN = 15;
  const START_PX = 6;
  const HOLD_MS = 400;

  const plus = (text, minutes) => new Date(Date.parse(`${text}Z`) + minutes * 60000).toISOString().slice(0, 16);
  const planOf = (node) => node.closest("[data-plan]");
  const rowsOf = (plan) => [...plan.querySelectorAll("tr[data-bay]")];
  const byHour = (plan) => plan.querySelector("table.by-hour");

  let move = null; // {card, plan, bay, to, ghost, label, dragging}

  function begin(card, how) {
    const plan = planOf(card);
    const ghost = document.createElement("div");
    ghost.className = "plan-ghost";
    const label = document.createElement("div");
    label.className = "plan-label";
    label.setAttribute("role", "status");
    document.body.append(ghost, label);
    card.classList.add("moving");
    move = { card, plan, ghost, label, how, bay: card.dataset.bay, to: card.dataset.from };
    show();
  }

  function end() {
    if (!move) return;
    move.card.classList.remove("moving");
    move.ghost.remove();
    move.label.remove();
    move = null;
  }

  const rowOf = (bay) => rowsOf(move.plan).find((row) => row.dataset.bay === bay);

  /** Where a moment of the day's table begins, in pixels of the page. */
  function place(row) {
    const table = byHour(move.plan);
    if (!table) {
      const cell = row.querySelector(`[data-day="${move.to.slice(0, 10)}"]`);
      return cell && cell.getBoundingClientRect();
    }
    const head = row.querySelector("th").getBoundingClientRect();
    const box = row.getBoundingClientRect();
    const quarter = (box.right - head.right) / Number(table.dataset.quarters);
    const minutes = (Date.parse(`${move.to}Z`) - Date.parse(`${table.dataset.begins}Z`)) / 60000;
    const left = head.right + (minutes / QUARTER_MIN) * quarter;
    return new DOMRect(left, box.top, (Number(move.card.dataset.minutes) / QUARTER_MIN) * quarter, box.height);
  }

  function show() {
    const row = rowOf(move.bay);
    const box = row && place(row);
    if (!box) return;
    for (const [name, value] of [["left", box.left], ["top", box.top], ["width", box.width], ["height", box.height]])
      move.ghost.style[name] = `${value}px`;
    const day = byHour(move.plan) ? "" : `${row.querySelector(`[data-day="${move.to.slice(0, 10)}"]`).dataset.called}, `;
    const until = plus(move.to, Number(move.card.dataset.minutes)).slice(11);
    move.label.textContent = `${row.dataset.called}, ${day}${move.to.slice(11)}–${until}`;
    move.label.style.left = `${Math.max(box.left, 8)}px`;
    move.label.style.top = `${box.bottom + 4}px`;
  }

  function send() {
    const { card, plan, bay, to } = move;
    const stays = bay === card.dataset.bay && to === card.dataset.from;
    end();
    if (stays) return;
    const { day, span } = plan.dataset;
    htmx
      .ajax("POST", card.dataset.planJob, {
        target: "#plan",
        swap: "outerHTML",
        values: { bay, to, version: card.dataset.version, day, span },
      })
      .then(() => document.querySelector(`[data-plan-job="${card.dataset.planJob}"]`)?.focus({ preventScroll: true }));
  }

  // The pointer -----------------------------------------------------------------------------------

  let down = null; // {card, x, y, grab, timer}

  function aim(x, y) {
    const row = rowsOf(move.plan).find((one) => {
      const box = one.getBoundingClientRect();
      return y >= box.top && y < box.bottom;
    });
    if (!row) return;
    const table = byHour(move.plan);
    if (table) {
      const head = row.querySelector("th").getBoundingClientRect();
      const quarters = Number(table.dataset.quarters);
      const quarter = (row.getBoundingClientRect().right - head.right) / quarters;
      const at = Math.round((x - down.grab - head.right) / quarter);
      move.to = plus(table.dataset.begins, Math.min(Math.max(at, 0), quarters - 1) * QUARTER_MIN);
    } else {
      const cell = [...row.querySelectorAll("[data-day]")].find((one) => {
        const box = one.getBoundingClientRect();
        return x >= box.left && x < box.right;
      });
      if (!cell) return;
      move.to = `${cell.dataset.day}${move.card.dataset.from.slice(10)}`;
    }
    move.bay = row.dataset.bay;
    show();
  }

  document.addEventListener("pointerdown", (event) => {
    const card = event.target.closest?.("[data-plan-job]");
    if (!card || event.button !== 0) return;
    end();
    down = { card, x: event.clientX, y: event.clientY, grab: event.clientX - card.getBoundingClientRect().left };
    if (event.pointerType === "touch")
      down.timer = setTimeout(() => {
        begin(card, "pointer");
        navigator.vibrate?.(20);
      }, HOLD_MS);
    else event.preventDefault();
  });

  document.addEventListener("pointermove", (event) => {
    if (!down) return;
    const far = Math.hypot(event.clientX - down.x, event.clientY - down.y) > START_PX;
    if (!move && far) {
      if (event.pointerType === "touch") {
        clearTimeout(down.timer);
        down = null;
        return;
      }
      begin(down.card, "pointer");
    }
    if (move?.how === "pointer") aim(event.clientX, event.clientY);
  });

  document.addEventListener("touchmove", (event) => move?.how === "pointer" && event.preventDefault(), { passive: false });

  document.addEventListener("pointerup", () => {
    clearTimeout(down?.timer);
    if (move?.how === "pointer") {
      const stop = (event) => event.preventDefault();
      document.addEventListener("click", stop, { once: true, capture: true });
      setTimeout(() => document.removeEventListener("click", stop, true), 0);
      send();
    } else if (down) down.card.focus({ preventScroll: true });
    down = null;
  });

  document.addEventListener("pointercancel", () => {
    clearTimeout(down?.timer);
    down = null;
    if (move?.how === "pointer") end();
  });

  document.addEventListener("dragstart", (event) => event.target.closest?.("[data-plan-job]") && event.preventDefault());
  document.addEventListener("contextmenu", (event) => move && event.preventDefault());

  // The keyboard ----------------------------------------------------------------------------------

  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

  document.addEventListener("keydown", (event) => {
    if (move && event.key === "Escape") {
      event.preventDefault();
      end();
      return;
    }
    const card = event.target.closest?.("[data-plan-job]");
    if (!card) return;
    if (move && event.key === "Enter") {
      event.preventDefault();
      send();
      return;
    }
    const step = event.shiftKey && STEPS[event.key];
    if (!step) return;
    event.preventDefault();
    if (!move || move.card !== card) {
      end();
      begin(card, "keys");
    }
    const rows = rowsOf(move.plan);
    const at = rows.findIndex((row) => row.dataset.bay === move.bay);
    move.bay = rows[Math.min(Math.max(at + step[1], 0), rows.length - 1)].dataset.bay;
    const later = plus(move.to, step[0] * (byHour(move.plan) ? QUARTER_MIN : 24 * 60));
    const shown = byHour(move.plan) || rows[0].querySelector(`[data-day="${later.slice(0, 10)}"]`);
    if (shown) move.to = later;
    show();
  });

  document.addEventListener("focusout", (event) => {
    if (move?.how === "keys" && event.target === move.card) end();
  });
})();
