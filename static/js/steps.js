/* Steps of the bay sheet: [data-fill="id"] puts its own words into a field, as if typed. */
(() => {
  "use strict";

  document.addEventListener("click", (event) => {
    const chip = event.target.closest?.("[data-fill]");
    const field = chip && document.getElementById(chip.dataset.fill);
    if (!field) return;
    field.value = chip.textContent.trim();
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.dispatchEvent(new Event("change", { bubbles: true }));
  });
})();
