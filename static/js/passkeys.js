/* Passkeys: asks the browser to make or show one, and sends its answer with the form.
 *
 * <button data-passkey="make|show" data-options="address"> stands in a form with a hidden input
 * named `passkey` and a [data-passkey-said] for what went wrong. */
(() => {
  "use strict";

  if (!window.PublicKeyCredential) return;

  const bytes = (text) => {
    const plain = atob(text.replace(/-/g, "+").replace(/_/g, "/"));
    return Uint8Array.from(plain, (letter) => letter.charCodeAt(0));
  };

  const text = (buffer) =>
    btoa(String.fromCharCode(...new Uint8Array(buffer)))
      .replace(/\+/g, "-")
      .replace(/\//g, "_")
      .replace(/=+$/, "");

  const listed = (some) => (some || []).map((one) => ({ ...one, id: bytes(one.id) }));

  const ask = {
    make: (options) =>
      navigator.credentials.create({
        publicKey: {
          ...options,
          challenge: bytes(options.challenge),
          user: { ...options.user, id: bytes(options.user.id) },
          excludeCredentials: listed(options.excludeCredentials),
        },
      }),
    show: (options) =>
      navigator.credentials.get({
        publicKey: {
          ...options,
          challenge: bytes(options.challenge),
          allowCredentials: listed(options.allowCredentials),
        },
      }),
  };

  /** The browser's answer as JSON. */
  const written = (credential) => {
    const response = {};
    for (const part of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
      if (credential.response[part]) response[part] = text(credential.response[part]);
    }
    const { id, type } = credential;
    return JSON.stringify({ id, rawId: text(credential.rawId), type, response });
  };

  const why = (error) => {
    if (error.name === "InvalidStateError") return told("This device has a passkey for this book already.");
    if (error.name === "NotAllowedError") return told("Nothing was confirmed. Try once more, or use a code.");
    return told("This browser could not do it. Use a code, or another browser.");
  };

  for (const button of document.querySelectorAll("[data-passkey]")) {
    const form = button.closest("form");
    const said = form.querySelector("[data-passkey-said]");
    const run = async () => {
      said.hidden = true;
      button.disabled = true;
      try {
        const answer = await fetch(button.dataset.options, {
          method: "POST",
          headers: { "X-CSRFToken": Loombook.csrfToken(), ...Loombook.person?.() },
        });
        if (!answer.ok || answer.redirected) {
          said.textContent = told("This page is too old. Load it again.");
          said.hidden = false;
          return;
        }
        const credential = await ask[button.dataset.passkey](await answer.json());
        form.elements.passkey.value = written(credential);
        form.noValidate = true;
        form.requestSubmit();
      } catch (error) {
        said.textContent = why(error);
        said.hidden = false;
      } finally {
        button.disabled = false;
      }
    };
    button.hidden = false;
    button.addEventListener("click", () => {
      if (button.dataset.passkey === "make" && !form.reportValidity()) return;
      run();
    });
    if (button.dataset.passkey === "make") {
      form.addEventListener("submit", (event) => {
        if (form.elements.passkey.value) return;
        event.preventDefault();
        button.click();
      });
    }
  }
})();
