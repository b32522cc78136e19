/* Shared tablets: the PIN pad, and the lock that covers a page left alone.
 *
 * [data-pin-panel]                    names, PIN and keys; [data-digit], [data-pin-back] work the PIN
 * dialog#lock[data-lock-after]        minutes without a touch after which the page is covered
 *        [data-lock-url]              where to say so: ends the sign-in and answers with the panel
 * [data-lock-now]                     a form whose button covers the page at once
 *
 * The page behind the cover stays as it is. The same person goes on where they were; for somebody
 * else it is loaded anew, or their first page where they may not see it.
 */
(() => {
  "use strict";

  const ACTIVE = "last-touch";
  const RETRY_MS = 3000;
  const dialog = document.getElementById("lock");
  const person = document.querySelector('meta[name="person"]')?.content || "";

  // The pad ----------------------------------------------------------------------------------

  function dress(panel) {
    panel.querySelector("[data-pin-keys]").hidden = false;
    panel.querySelector("[data-pin-plain]").hidden = true;
    const pin = panel.querySelector("#pin");
    pin.inputMode = "none";
    if (panel.querySelector('[name="person"]:checked')) pin.focus();
    else panel.querySelector('[name="person"]')?.focus();
  }

  function type(panel, digit) {
    const pin = panel.querySelector("#pin");
    if (pin.value.length < pin.maxLength) pin.value += digit;
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("[data-digit], [data-pin-back]");
    const panel = button?.closest("[data-pin-panel]");
    if (!panel) return;
    const pin = panel.querySelector("#pin");
    if (button.dataset.digit) type(panel, button.dataset.digit);
    else pin.value = pin.value.slice(0, -1);
  });
  document.addEventListener("click", (event) => {
    const radio = event.target.matches?.('[data-pin-panel] [name="person"]') && event.target;
    if (!radio || !event.detail) return;
    const pin = radio.form.querySelector("#pin");
    pin.value = "";
    pin.focus();
  });
  document.addEventListener("keydown", (event) => {
    const panel = event.target.closest?.("[data-pin-panel]");
    if (!panel || event.target.id === "pin" || !/^\d$/.test(event.key)) return;
    event.preventDefault();
    type(panel, event.key);
    panel.querySelector("#pin").focus();
  });

  const page = document.querySelector("[data-pin-panel]");
  if (page) dress(page);

  // What was touched last, in any page of this device ------------------------------------------

  let touched = 0;
  function touch() {
    touched = Date.now();
    try {
      localStorage.setItem(ACTIVE, String(touched));
    } catch {
      /* storage is off: this page alone counts */
    }
  }
  function lastTouch() {
    try {
      return Math.max(touched, Number(localStorage.getItem(ACTIVE)) || 0);
    } catch {
      return touched;
    }
  }
  for (const name of ["pointerdown", "keydown", "wheel"]) {
    document.addEventListener(name, () => dialog?.open || touch(), { passive: true, capture: true });
  }
  if (!dialog) return touch();

  // The lock ---------------------------------------------------------------------------------

  const idle_ms = Number(dialog.dataset.lockAfter) * 60000;
  const waiting = dialog.innerHTML;
  const unsaved = () => Loombook.unsaved?.() || 0;
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  let locked = false;

  function show(html) {
    dialog.innerHTML = html;
    htmx.process(dialog);
    const panel = dialog.querySelector("[data-pin-panel]");
    if (panel) dress(panel);
  }

  /** Cover the page, send what waits, then end the sign-in; again and again until it is ended. */
  async function lock() {
    if (locked) return;
    locked = true;
    document.activeElement?.blur?.();
    if (!dialog.open) dialog.showModal();
    for (let tries = 0; locked; tries += 1) {
      if (tries < 3 && Loombook.waiting?.()) {
        await pause(tries ? RETRY_MS : 400);
        continue;
      }
      const html = await end();
      if (html) return show(html);
      await pause(RETRY_MS);
    }
  }

  async function end() {
    const headers = { "HX-Request": "true", "X-CSRFToken": Loombook.csrfToken() };
    try {
      let answer = await fetch(dialog.dataset.lockUrl, { method: "POST", headers });
      if (answer.status === 401) answer = await fetch(`${dialog.dataset.panelUrl}?person=${person}`, { headers });
      return answer.ok && !answer.redirected && Loombook.aboutOf(answer) === "entry" ? await answer.text() : "";
    } catch {
      return "";
    }
  }

  function unlock(who, to) {
    locked = false;
    touch();
    if (String(who) !== person) {
      history.replaceState(null, "", location.pathname + location.search);
      return location.assign(to || location.pathname + location.search);
    }
    const token = Loombook.csrfToken();
    for (const input of document.querySelectorAll('input[name="csrfmiddlewaretoken"]')) input.value = token;
    dialog.close();
    dialog.innerHTML = waiting;
    window.dispatchEvent(new Event("online"));
    return undefined;
  }

  document.body.addEventListener("tablet-unlocked", (event) => unlock(event.detail.person, event.detail.to));
  dialog.addEventListener("cancel", (event) => event.preventDefault());
  dialog.addEventListener("close", () => locked && dialog.showModal());
  dialog.addEventListener("htmx:afterSwap", () => {
    const panel = dialog.querySelector("[data-pin-panel]");
    if (panel) dress(panel);
  });

  /* Somebody else would lose what this person typed and could not send: say so once. */
  dialog.addEventListener("htmx:confirm", (event) => {
    const panel = event.target.closest("[data-pin-panel]");
    const chosen = panel?.querySelector('[name="person"]:checked');
    if (!chosen || chosen.value === person || panel.dataset.warned || !unsaved()) return;
    event.preventDefault();
    panel.dataset.warned = "1";
    const said = panel.querySelector("#pin-said");
    const owner = dialog.dataset.name;
    said.textContent = told("%(owner)s has entries on this page that are not saved. Let %(owner)s sign in first, or press OK again to leave them.", { owner });
  });

  document.addEventListener("submit", (event) => {
    if (!event.target.matches("[data-lock-now]")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    event.target.closest("details[data-menu]")?.removeAttribute("open");
    lock();
  }, true);

  /* Asked to sign in again, on a page that holds something: here, not in another tab. */
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("#save-strip a, #messages a");
    if (!link || !Loombook.isSignIn(link.href)) return;
    event.preventDefault();
    lock();
  });

  const look = () => !locked && Date.now() - lastTouch() > idle_ms && lock();
  if (lastTouch()) look();
  if (!locked) touch();
  setInterval(look, 5000);
  document.addEventListener("visibilitychange", look);
})();
