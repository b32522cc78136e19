/* The review page: a figure key leads to the section that shows it, save while something is typed.
 *
 * [data-jumps] a[aria-keyshortcuts]  the links, each with its key
 */
(() => {
  "use strict";

  document.addEventListener("keydown", (event) => {
    const plain = !event.ctrlKey && !event.metaKey && !event.altKey;
    if (!plain || event.target.closest("input, textarea, select, dialog, [contenteditable]")) return;
    const links = document.querySelectorAll("[data-jumps] a[aria-keyshortcuts]");
    const wanted = [...links].find((one) => one.getAttribute("aria-keyshortcuts") === event.key);
    if (!wanted) return;
    event.preventDefault();
    wanted.click();
  });
})();
