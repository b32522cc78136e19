/* Counts of labels: plus and minus beside each, and all of a group at once. */
(() => {
  "use strict";

  const MOST = 20;

  function set(input, value) {
    const wanted = String(Math.min(MOST, Math.max(0, value)));
    if (input.value === wanted) return false;
    input.value = wanted;
    return true;
  }

  const changed = (input) => input.dispatchEvent(new Event("change", { bubbles: true }));

  document.addEventListener("click", (event) => {
    const step = event.target.closest?.("[data-labels-step]");
    const all = event.target.closest?.("[data-labels-all]");
    if (step) {
      const input = step.parentElement.querySelector("input");
      if (set(input, (Number.parseInt(input.value, 10) || 0) + Number(step.dataset.labelsStep))) changed(input);
    } else if (all) {
      const inputs = [...all.closest("section").querySelectorAll(".stepper-count input")];
      if (inputs.filter((input) => set(input, Number(all.dataset.labelsAll))).length) changed(inputs[0]);
    }
  });
})();
