/* Putting a list in order by dragging, with mouse, pen or finger.
 *
 * <ol data-sort="address" data-sort-target="#id"><li data-sort-key="7"><span data-sort-grip hidden>
 * The new order is posted as `order`, keys with commas; the answer replaces the target. The
 * buttons beside it do the same by keyboard.
 */
(() => {
  "use strict";

  let drag = null;

  function showGrips() {
    for (const grip of document.querySelectorAll("[data-sort-grip]")) grip.hidden = false;
  }

  const keys = (list) => [...list.children].map((item) => item.dataset.sortKey).join(",");

  document.addEventListener("pointerdown", (event) => {
    const grip = event.target.closest?.("[data-sort-grip]");
    if (!grip || event.button) return;
    event.preventDefault();
    const item = grip.closest("[data-sort-key]");
    drag = { item, list: item.parentElement, before: keys(item.parentElement), grip };
    grip.setPointerCapture(event.pointerId);
    item.classList.add("dragged");
  });

  document.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const { item, list } = drag;
    for (const other of list.children) {
      if (other === item) continue;
      const box = other.getBoundingClientRect();
      if (event.clientY < box.top || event.clientY > box.bottom) continue;
      const lower = event.clientY > box.top + box.height / 2;
      const follows = Boolean(other.compareDocumentPosition(item) & Node.DOCUMENT_POSITION_PRECEDING);
      if (follows && lower) other.after(item);
      else if (!follows && !lower) other.before(item);
      break;
    }
    const edge = 80;
    if (event.clientY < edge) window.scrollBy(0, -12);
    else if (event.clientY > window.innerHeight - edge) window.scrollBy(0, 12);
  });

  function drop() {
    if (!drag) return;
    const { item, list, before } = drag;
    drag = null;
    item.classList.remove("dragged");
    const order = keys(list);
    if (order === before) return;
    htmx.ajax("POST", list.dataset.sort, {
      target: list.dataset.sortTarget,
      swap: "outerHTML",
      values: { order },
    });
  }

  document.addEventListener("pointerup", drop);
  document.addEventListener("pointercancel", drop);
  document.addEventListener("htmx:afterSwap", showGrips);
  showGrips();
})();
