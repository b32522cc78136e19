/* A message to a customer: what is changed in the text goes along into the person's own program.
 *
 * form[data-message]   the text and its key; [data-sends] a link that opens a program; [data-copy] copies
 */
(() => {
  "use strict";

  const form = document.querySelector("form[data-message]");
  if (!form) return;
  const text = form.elements.text;

  /** Noted by the key of the page, so that the server keeps it once however often it is opened. */
  function note() {
    const body = new FormData(form);
    body.set("by_itself", "1");
    fetch(form.action, { method: "POST", body, keepalive: true });
  }

  for (const link of form.querySelectorAll("[data-sends]"))
    link.addEventListener("click", () => {
      const mail = link.href.startsWith("mailto:");
      const words = mail ? text.value.replace(/\r?\n/g, "\r\n") : text.value;
      link.href = link.href.replace(/([?&]body=).*$/, (_, name) => name + encodeURIComponent(words));
      note();
    });

  const copy = form.querySelector("[data-copy]");
  if (navigator.clipboard) {
    copy.hidden = false;
    copy.addEventListener("click", async () => {
      await navigator.clipboard.writeText(text.value);
      copy.textContent = told("Copied");
      note();
    });
  }
})();
