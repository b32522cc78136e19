/* Running clocks: [data-clock-since] holds the start; data-clock-before adds seconds kept earlier. */
(() => {
  "use strict";

  function show(node) {
    const since = (Date.now() - Date.parse(node.dataset.clockSince)) / 1000;
    const minutes = Math.max(0, Math.floor((since + Number(node.dataset.clockBefore || 0)) / 60));
    const rest = minutes % 60;
    const text = minutes < 60 ? `${minutes}\u00a0min` : `${Math.floor(minutes / 60)}\u00a0h ${String(rest).padStart(2, "0")}\u00a0min`;
    if (node.textContent !== text) node.textContent = text;
  }

  setInterval(() => {
    for (const node of document.querySelectorAll("[data-clock-since]")) show(node);
  }, 10000);
})();
