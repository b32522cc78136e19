/* What is not on the server yet, in words: the strip at the foot, and the list behind it.
 *
 * form[data-outbox]   a plain form that may wait like a cell; its data-what names it in the list.
 *                     What it adds is shown at once in the list [data-outbox-list] of the page.
 */
(() => {
  "use strict";

  const { outbox } = Loombook;
  const { clock } = Loombook;
  const { asOf, asOfWhy } = document.documentElement.dataset;
  let sent = false;

  const STATES = {
    waiting: told("waits to be sent"),
    refused: told("not accepted"),
    clash: told("two people wrote at once"),
    closed: told("the sheet takes no entries now"),
    gone: told("what it belongs to is gone"),
    fault: told("kept on this device; the server has trouble with it and is asked again. Tell whoever looks after the server"),
  };

  const waiting = () => outbox.entries().filter((entry) => entry.state === "waiting");
  /** Entries set aside, and drafts that were not accepted, where the page does not show them itself. */
  const aside = () => [...outbox.entries().filter((entry) => entry.state !== "waiting"), ...outbox.drafts().filter((draft) => draft.refused)];

  const AWAY = {
    network: told("No network"),
    gateway: told("The server does not answer"),
    stranger: told("Not the shop’s server answers, perhaps the sign-in page of the wifi"),
    later: told("The server is not ready"),
  };
  const away = (down) => {
    const words = AWAY[down || asOfWhy || "network"];
    return asOf ? told("As of %(as_of)s. %(words)s", { as_of: clock(asOf), words }) : words;
  };
  /** What the device cannot work out by itself stands as the server said it last. */
  const findings = () => (document.querySelector(".sheet") ? ` ${told("Findings are as of %(time)s.", { time: clock(asOf || outbox.state().heardAt) })}` : "");

  const ofOthers = (n) => (n === 1 ? told("1 entry of other people on this device: sent when they sign in here.") : told("%(n)s entries of other people on this device: sent when they sign in here.", { n }));

  function summary() {
    const { coming, down, signedOut, draining } = outbox.state();
    const n = waiting().length;
    const open = showList;
    if (n && signedOut) return { state: "unsaved", text: told("You are signed out. Nothing you typed is lost."), signIn: true };
    if (n && !outbox.kept()) {
      const text = n === 1 ? told("1 entry is not saved yet. Will try again by itself; keep this page open.") : told("%(n)s entries are not saved yet. Will try again by itself; keep this page open.", { n });
      return { state: "unsaved", text, open };
    }
    if (n && (down || asOf)) {
      const why = away(down);
      const text = n === 1 ? told("%(why)s: 1 entry is kept on this device and sent when it is back.", { why }) : told("%(why)s: %(n)s entries are kept on this device and sent when it is back.", { why, n });
      return { state: "unsaved", text: text + findings(), open };
    }
    const faulty = waiting().filter((entry) => entry.faults).length;
    if (faulty) {
      const trouble = faulty === 1 ? told("The server has trouble with 1 entry:") : told("The server has trouble with %(n)s entries:", { n: faulty });
      const kept = n === 1 ? told("1 entry is kept on this device and sent again by themselves.") : told("%(n)s entries are kept on this device and sent again by themselves.", { n });
      return { state: "unsaved", text: `${trouble} ${kept}`, open };
    }
    if ((coming && !down) || (n && draining)) return { state: "saving", text: told("Saving") };
    if (n) return { state: "unsaved", text: n === 1 ? told("1 entry is not on the server yet, and sent again by themselves.") : told("%(n)s entries are not on the server yet, and sent again by themselves.", { n }), open };
    const look = Math.max(Loombook.needLook?.() || 0, aside().length);
    if (look) return { state: "unsaved", text: look === 1 ? told("1 entry needs a look.") : told("%(n)s entries need a look.", { n: look }), open };
    if (down || asOf) return { state: "unsaved", text: told("%(why)s. What you enter is kept on this device.", { why: away(down) }) + findings() };
    const theirs = outbox.others();
    if (theirs && document.querySelector("[data-board], [data-pin-panel]")) {
      return { state: "unsaved", text: ofOthers(theirs) };
    }
    return { state: "saved", text: told("All saved") };
  }

  function refresh() {
    const now = summary();
    if (now.state !== "saved") sent = true;
    if (sent) Loombook.strip(now);
    if (now.state === "saved") sent = false;
    if (dialog?.open) fill();
  }
  document.addEventListener("outbox:changed", refresh);
  document.addEventListener("outbox:answer", refresh);

  // The list ----------------------------------------------------------------------------------------

  let dialog = null;

  function element(name, className, ...children) {
    const made = document.createElement(name);
    if (className) made.className = className;
    made.append(...children);
    return made;
  }

  function button(label, act, className = "btn small-text") {
    const made = element("button", className, label);
    made.type = "button";
    made.addEventListener("click", act);
    return made;
  }

  /** What was entered, as plain text. */
  function said(entry) {
    if (entry.kind === "photo") return entry.fields.caption || "";
    if (entry.kind === "recording") return entry.fields.place[0];
    const skip = new Set(["version", "key", "csrfmiddlewaretoken", "seen", "turn"]);
    const fields = Object.entries(entry.fields).filter(([name]) => !skip.has(name));
    return fields.map(([, list]) => list.filter(Boolean).join(", ") || told("nothing")).join("; ");
  }

  function text(entry) {
    const what = entry.what || (entry.kind === "photo" ? told("Photo") : told("Entry"));
    const where = entry.job ? `J${entry.job}: ` : "";
    return `${where}${what}: ${said(entry) || told("a photo")} (${clock(entry.at)})`;
  }

  /** Its row, where the page shows it, is read again: everything else typed is kept. */
  async function letGo(entry) {
    await ("id" in entry ? outbox.drop(entry.id) : outbox.draft({ ...entry, fields: {} }));
    if (Loombook.rows.rowAt(entry.url)) location.reload();
  }

  function line(entry) {
    const draft = !("id" in entry);
    const state = draft ? "refused" : entry.state === "waiting" && entry.faults ? "fault" : entry.state;
    const row = element("li", `waiting-entry is-${state}`);
    const head = element("p", "", element("b", "", `${entry.job ? `J${entry.job} · ` : ""}${entry.what || told("Entry")}`), ` ${said(entry)}`);
    const why = entry.said || entry.refused || "";
    const foot = element("p", "small", `${clock(entry.at)}, ${STATES[state]}${why ? `. ${why}` : ""}`);
    row.append(head, foot);
    if (state === "waiting") return row;
    const acts = element("div", "form-actions");
    if (entry.page && entry.page !== location.pathname + location.search) {
      const link = element("a", "btn small-text", told("Open its page"));
      link.href = entry.page;
      acts.append(link);
    }
    if (!draft && state !== "clash" && state !== "fault") acts.append(button(told("Try again"), () => outbox.retry(entry.id)));
    if (entry.kind !== "photo") acts.append(button(told("Copy as text"), (event) => copy(event.target, text(entry))));
    acts.append(button(told("Drop it"), () => letGo(entry), "btn danger small-text"));
    row.append(acts);
    return row;
  }

  async function copy(made, words) {
    try {
      await navigator.clipboard.writeText(words);
      made.textContent = told("Copied");
    } catch {
      const field = element("textarea", "");
      field.value = words;
      field.readOnly = true;
      field.setAttribute("aria-label", told("Text to copy"));
      made.replaceWith(field);
      field.select();
    }
  }

  function fill() {
    const listed = [...waiting(), ...aside()];
    const close = button(told("Close"), () => dialog.close(), "btn");
    const title = element("h2", "", told("Not on the server yet"));
    title.id = "waiting-title";
    const words = element("p", "", listed.length ? told("Kept on this device, also when it is switched off. What waits goes by itself, in this order.") : told("Everything is on the server."));
    const list = element("ul", "waiting-list", ...listed.map(line));
    const parts = [title, words, list];
    const others = outbox.others();
    if (others) parts.push(element("p", "small", ofOthers(others)));
    const acts = element("div", "form-actions");
    if (waiting().length) acts.append(button(told("Try now"), () => outbox.wake(true), "btn primary"));
    acts.append(close);
    dialog.replaceChildren(...parts, acts);
  }

  function showList() {
    if (!dialog) {
      dialog = element("dialog", "dialog wide");
      dialog.id = "waiting";
      dialog.setAttribute("aria-labelledby", "waiting-title");
      document.body.append(dialog);
    }
    fill();
    if (!dialog.open) dialog.showModal();
  }

  // Forms that may wait --------------------------------------------------------------------------------

  const clean = (form) => {
    const fields = Object.create(null);
    for (const [name, value] of new FormData(form)) if (name !== "csrfmiddlewaretoken" && name !== "key") (fields[name] ||= []).push(value);
    return fields;
  };

  function showWaiting(entry) {
    const list = document.querySelector(`[data-outbox-list="${CSS.escape(entry.url)}"]`);
    if (!list || list.querySelector(`[data-key="${CSS.escape(entry.key)}"]`)) return;
    const item = element("li", "waiting-entry is-waiting", element("p", "", said(entry)), element("p", "small", told("%(time)s, not on the server yet", { time: clock(entry.at) })));
    item.dataset.key = entry.key;
    list.prepend(item);
    list.hidden = false;
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.matches("form[data-outbox]") || !outbox.kept() || event.defaultPrevented) return;
    event.preventDefault();
    delete form.dataset.sent;
    if (!form.reportValidity()) return;
    const key = form.querySelector('[name="key"]')?.value;
    const entry = { kind: "form", url: new URL(form.action).pathname, fields: clean(form), page: location.pathname + location.search, what: form.dataset.what };
    entry.key = `${outbox.device}_${key || outbox.makeKey()}`;
    const field = form.querySelector('[name="key"]');
    if (field) field.value = outbox.makeKey().split("_")[1];
    outbox.add(entry).then(showWaiting);
    form.reset();
    form.querySelector("textarea, input:not([type=hidden])")?.focus();
  });

  /* What a form added: the page's list as the server has it now. */
  document.addEventListener("outbox:answer", ({ detail }) => {
    const { entry, status, text: html } = detail;
    const list = entry.kind === "form" && document.querySelector(`[data-outbox-list="${CSS.escape(entry.url)}"]`);
    if (!list || status >= 300) return;
    const fresh = new DOMParser().parseFromString(html, "text/html").querySelector(`[data-outbox-list="${CSS.escape(entry.url)}"]`);
    if (fresh) list.replaceChildren(...[...fresh.children].map((one) => document.importNode(one, true)));
    else list.querySelector(`[data-key="${CSS.escape(entry.key)}"]`)?.remove();
    for (const one of outbox.entries()) if (one.url === entry.url) showWaiting(one);
  });

  outbox.ready.then(() => {
    for (const entry of outbox.entries()) if (entry.kind === "form") showWaiting(entry);
    refresh();
  });
})();
