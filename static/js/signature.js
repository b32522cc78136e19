/* Signature field: strokes on a canvas, kept as a PNG data URL in the hidden input. */
(() => {
  "use strict";

  for (const field of document.querySelectorAll("[data-signature]:not([data-ready])")) {
    field.dataset.ready = "1";
    const canvas = field.querySelector("canvas");
    const value = field.querySelector('input[type="hidden"]');
    const hint = field.querySelector(".pad-hint");
    field.querySelector(".pad").hidden = false;
    field.querySelector(".actions").hidden = false;
    const pad = new SignaturePad(canvas, { penColor: "#211f1a", minWidth: 0.9, maxWidth: 2.8 });

    /** Fit the bitmap to the screen; a turned tablet keeps the strokes. */
    const fit = () => {
      const ratio = Math.max(window.devicePixelRatio || 1, 1);
      if (!canvas.offsetWidth || canvas.width === Math.round(canvas.offsetWidth * ratio)) return;
      const strokes = pad.toData();
      canvas.width = Math.round(canvas.offsetWidth * ratio);
      canvas.height = Math.round(canvas.offsetHeight * ratio);
      canvas.getContext("2d").scale(ratio, ratio);
      pad.clear();
      if (strokes.length) pad.fromData(strokes);
      else if (value.value) pad.fromDataURL(value.value, { ratio });
      hint.hidden = Boolean(strokes.length || value.value);
    };
    new ResizeObserver(fit).observe(canvas);
    fit();

    pad.addEventListener("beginStroke", () => {
      hint.hidden = true;
    });
    pad.addEventListener("endStroke", () => {
      value.value = pad.toDataURL("image/png");
      value.dispatchEvent(new Event("change", { bubbles: true }));
    });
    field.querySelector("[data-signature-clear]").addEventListener("click", () => {
      pad.clear();
      value.value = "";
      hint.hidden = false;
      value.dispatchEvent(new Event("change", { bubbles: true }));
    });
  }
})();
