/* The bay sheet: which channel the next tap on the car picture is for, and the line at the foot.
 *
 * tr[data-target]   a channel that can be chosen by touching its row or moving into it
 * #target           the chosen channel's key, sent with every post
 * table.as-cards    a grid whose rows are cards; td[data-name] is what a cell of it is called
 * [data-said-close] closes the line that says what was done; it leaves by itself after a while
 */
(() => {
  "use strict";

  const target = document.getElementById("target");
  const hint = document.getElementById("target-hint");

  /* A row's answer is merged into it, class and all: the mark is put back. */
  function mark() {
    for (const row of document.querySelectorAll("tr[data-target]")) {
      const wanted = row.dataset.target === target.value;
      if (row.classList.contains("targeted") !== wanted) row.classList.toggle("targeted", wanted);
    }
  }

  function choose(row) {
    if (!target || !row || target.value === row.dataset.target) return;
    target.value = row.dataset.target;
    mark();
    if (hint) hint.textContent = told("Now tap where %(row)s plays.", { row: row.dataset.name });
  }

  const table = target && document.querySelector("table.channels");
  if (table) new MutationObserver(mark).observe(table, { subtree: true, childList: true, attributeFilter: ["class"] });

  const rowOf = (event) => event.target.closest?.("tr[data-target]");
  document.addEventListener("focusin", (event) => choose(rowOf(event)));
  document.addEventListener("pointerdown", (event) => choose(rowOf(event)));

  /* The panel of open findings stays open when its answer replaces it. */
  document.addEventListener("htmx:oobBeforeSwap", (event) => {
    const { target, fragment } = event.detail;
    if (target.id === "panel" && target.open) fragment.querySelector("#panel")?.setAttribute("open", "");
  });

  /* Without a network a whole group is marked row by row: each waits on this device by itself.
   * What was not fitted before the work is not fitted after it. */
  document.addEventListener("htmx:sendError", (event) => {
    const button = event.detail.elt;
    if (!button.matches?.('[hx-post$="/all-work/"]')) return;
    event.stopImmediatePropagation();
    for (const form of button.closest(".function-group").querySelectorAll(Loombook.rows.ROW)) {
      const choices = [...form.querySelectorAll("input[type=radio]")];
      const result = form.closest("[data-not-fitted]") ? "not_fitted" : "works";
      const meant = choices.find((choice) => choice.value === result);
      if (!meant || choices.some((choice) => choice.checked)) continue;
      meant.checked = true;
      meant.dispatchEvent(new Event("change", { bubbles: true }));
    }
    button.hidden = true;
  }, true);

  /* Where a grid does not fit, and on every phone, each row is a card: its cells carry the names of
   * their columns. A grid is measured when it comes and when the page changes its width. */
  const narrow = matchMedia("(max-width: 40rem)");
  const CARDS = "as-cards";

  function nameCells(table) {
    for (const row of table.querySelectorAll(":scope > :is(tbody, tfoot) > tr")) {
      const heads = [...(table.tHead?.rows[0]?.cells || [])].flatMap((head) => Array(head.colSpan).fill(head));
      let at = 0;
      for (const cell of row.cells) {
        const head = heads[at];
        at += cell.colSpan;
        if (cell.tagName === "TH" || !head || "name" in cell.dataset) continue;
        const control = head.colSpan > 1 ? cell.querySelector("[aria-label]") : null;
        const label = control?.getAttribute("aria-label").split(", ").slice(0, -1).join(", ");
        cell.dataset.name = label || head.textContent.trim().replace(/\s+/g, " ");
      }
    }
  }
  function fit(table) {
    const wrap = table.parentElement;
    if (!wrap.clientWidth) return;
    table.classList.remove(CARDS);
    table.classList.toggle(CARDS, narrow.matches || wrap.scrollWidth > wrap.clientWidth + 1);
    table.dataset.fitted = "";
  }
  function fitAll(anew) {
    for (const table of document.querySelectorAll(".grid-wrap > table.grid, .table-wrap > table.draws")) {
      if (anew || !("fitted" in table.dataset)) fit(table);
      if (table.classList.contains(CARDS)) nameCells(table);
    }
  }
  let width = innerWidth;
  addEventListener("resize", () => {
    if (innerWidth === width) return;
    width = innerWidth;
    fitAll(true);
  });
  for (const name of ["htmx:load", "htmx:afterSettle"]) document.addEventListener(name, () => fitAll(false));
  fitAll(false);

  document.addEventListener("click", (event) => {
    const close = event.target.closest?.("[data-said-close]");
    if (close) close.closest(".said").replaceChildren();
  });

  /* What was done leaves by itself; what was refused stays, and so does what is being used. */
  const SAID_MS = 8000;
  let leaving = 0;
  function leave() {
    const said = document.getElementById("said");
    if (!said || said.matches(".stop, :hover, :focus-within")) leaving = setTimeout(leave, SAID_MS);
    else said.replaceChildren();
  }
  document.addEventListener("htmx:oobAfterSwap", (event) => {
    if (event.detail.target.id !== "said") return;
    clearTimeout(leaving);
    leaving = setTimeout(leave, SAID_MS);
    settle();
  });

  /* It stands where it covers no control: as low as it can, right before left; where every place has
   * one, where it covers the fewest, and the way to another page before a place to write. */
  const CONTROLS = "a[href], button, input, select, textarea, summary, label, svg a";
  const EDGE_PX = 12;
  const STEP_PX = 16;
  function settle() {
    const said = document.getElementById("said");
    if (!said?.firstElementChild) return;
    said.style.inset = "";
    const { width, height } = said.getBoundingClientRect();
    const boxes = [...document.querySelectorAll(CONTROLS)]
      .filter((one) => !said.contains(one) && !one.closest("dialog:not([open])"))
      .map((one) => ({ box: one.getBoundingClientRect(), weight: one.closest(".top-bar") ? 1 : 10 }))
      .filter(({ box }) => box.width && box.bottom > 0 && box.top < innerHeight);
    const covered = (left, top) =>
      boxes
        .filter(({ box }) => box.left < left + width && box.right > left && box.top < top + height && box.bottom > top)
        .reduce((sum, { weight }) => sum + weight, 0);
    let best = null;
    for (let top = innerHeight - height - EDGE_PX; top > 0; top -= STEP_PX) {
      for (const left of [innerWidth - width - EDGE_PX, EDGE_PX]) {
        const count = covered(left, top);
        if (!best || count < best.count) best = { left, top, count };
      }
      if (!best.count) break;
    }
    if (best) said.style.inset = `${best.top}px auto auto ${best.left}px`;
  }
  document.addEventListener("bay:said", settle);
  addEventListener("scrollend", settle);
  addEventListener("resize", settle);
})();
