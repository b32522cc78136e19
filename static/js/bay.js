/* The bay sheet: which channel the next tap on the car picture is for, and the line at the foot.
 *
 * tr[data-target]   a channel that can be chosen by touching its row or moving into it
 * #target           the chosen channel's key, sent with every post
 * [data-said-close] closes the line that says what was done
 */
(() => {
  "use strict";

  const target = document.getElementById("target");
  const hint = document.getElementById("target-hint");

  function choose(row) {
    if (!target || !row || target.value === row.dataset.target) return;
    target.value = row.dataset.target;
    for (const other of document.querySelectorAll("tr.targeted")) other.classList.remove("targeted");
    row.classList.add("targeted");
    if (hint) hint.textContent = `Now tap where ${row.dataset.name} plays.`;
  }

  const rowOf = (event) => event.target.closest?.("tr[data-target]");
  document.addEventListener("focusin", (event) => choose(rowOf(event)));
  document.addEventListener("pointerdown", (event) => choose(rowOf(event)));

  document.addEventListener("click", (event) => {
    const close = event.target.closest?.("[data-said-close]");
    if (close) close.closest(".said").replaceChildren();
  });
})();
