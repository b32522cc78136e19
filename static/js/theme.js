/* Before the first paint: the colours this browser was asked to use. */
(() => {
  try {
    const theme = localStorage.getItem("theme");
    if (theme === "light" || theme === "dark") document.documentElement.dataset.theme = theme;
  } catch {
    /* storage is off: follow the system */
  }
})();
