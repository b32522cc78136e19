/* Cells that save themselves.
 *
 * A row is an element with data-cell-form, its address in hx-post (or action) and a hidden `version`.
 * When a control of the row changes, the row's version, the changed controls and a `key` made here
 * are posted. The answer is the row again with its fresh version, and any out-of-band parts.
 *
 * - One post at a time in a row: a later edit waits for the fresh version.
 * - A post that got no answer is repeated unchanged, with the same key, until it gets one.
 * - The answer is merged into the row in place, so the cell being typed in keeps its text, caret
 *   and focus.
 *
 * Hidden inputs marked data-with-cells, anywhere on the page, go along with every post.
 *
 * After a save the body gets the event cells:saved, on which other parts of the page ask for themselves again.
 *
 * Answers: 2xx saved; 409 someone else changed it (the row with a clash box); 422 the row with its
 * errors; 401 signed out (kept, tried again); 5xx or no answer: kept, tried again; other 4xx: kept.
 */
(() => {
  "use strict";

  const { ROW, rowOf, rowUrl, controls, group, values, setValues, same, morph } = Loombook.rows;
  const TIMEOUT_MS = 20000;
  const RETRY_S = [2, 4, 8, 15, 30];
  const WORDS = {
    saving: "Saving",
    saved: "Saved",
    unsaved: "Not saved yet",
    clash: "Clash",
    error: "Not saved",
  };
  /** address -> {row, pending, busy, touched, refused, tries, timer, carry, gone} */
  const states = new Map();
  let typing = null;
  let signedOut = false;


  function stateOf(row) {
    const url = rowUrl(row);
    if (!states.has(url)) {
      states.set(url, { url, row, pending: null, busy: false, touched: new Set(), refused: new Map(), tries: 0 });
    }
    const state = states.get(url);
    state.row = row;
    return state;
  }

  function makeKey() {
    if (crypto.randomUUID) return crypto.randomUUID();
    const b = crypto.getRandomValues(new Uint8Array(16));
    b[6] = (b[6] & 15) | 64;
    b[8] = (b[8] & 63) | 128;
    const hex = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
  }

  /** Names whose value is neither on the server nor on its way there. */
  function unsent(state) {
    return [...state.touched].filter((name) => {
      const found = group(state.row, name);
      return found.length && !same(values(found), state.pending?.fields[name] ?? values(found, true));
    });
  }

  // Sending ---------------------------------------------------------------------------------

  /** A refused control with data-again is sent along with what was changed to answer the refusal. */
  function again(state, fields) {
    for (const [name, list] of state.refused) {
      const found = group(state.row, name);
      if (name in fields || !found.some((c) => "again" in c.dataset) || !same(values(found), list)) continue;
      fields[name] = list;
      state.refused.delete(name);
    }
  }

  function pump(state) {
    if (state.busy || state.gone) return;
    if (!state.pending) {
      const fields = {};
      for (const name of unsent(state)) {
        const found = group(state.row, name);
        const now = values(found);
        if (same(now, state.refused.get(name)) || found.includes(typing)) continue;
        fields[name] = now;
      }
      if (!Object.keys(fields).length) return;
      again(state, fields);
      for (const hidden of state.row.querySelectorAll('input[type="hidden"][name]')) {
        if (rowOf(hidden) === state.row && !(hidden.name in fields)) fields[hidden.name] = [hidden.value];
      }
      for (const hidden of document.querySelectorAll('input[type="hidden"][data-with-cells]')) {
        if (!(hidden.name in fields)) fields[hidden.name] = [hidden.value];
      }
      state.pending = { key: makeKey(), fields };
    }
    send(state);
  }

  async function send(state) {
    clearTimeout(state.timer);
    state.busy = true;
    mark(state, "saving");
    const body = new URLSearchParams({ key: state.pending.key });
    for (const [name, list] of Object.entries(state.pending.fields)) list.forEach((v) => body.append(name, v));
    let response = null;
    let text = "";
    try {
      response = await fetch(state.url, {
        method: "POST",
        body,
        credentials: "same-origin",
        headers: { "HX-Request": "true", "HX-Current-URL": location.href, "X-CSRFToken": Loombook.csrfToken(), ...Loombook.person() },
        signal: AbortSignal.timeout ? AbortSignal.timeout(TIMEOUT_MS) : undefined,
      });
      text = await response.text();
    } catch {
      response = null;
    }
    state.busy = false;
    settle(state, response, text);
  }

  function settle(state, response, text) {
    const status = response ? response.status : 0;
    if (status === 401 || (response && Loombook.isSignIn(response.url))) {
      signedOut = true;
      return later(state);
    }
    if (!status || status >= 500 || status === 429 || status === 408) return later(state);
    signedOut = false;
    state.tries = 0;
    const sent = state.pending.fields;
    state.pending = null;
    if (response.ok || status === 409 || status === 422) {
      merge(state, text, sent, status);
      if (status === 422) refuse(state, sent);
      mark(state, response.ok ? (state.refused.size ? "error" : "saved") : status === 409 ? "clash" : "error");
      if (response.ok) document.body.dispatchEvent(new CustomEvent("cells:saved", { detail: { url: state.url } }));
      if (response.headers.get("HX-Refresh") === "true") location.reload();
      return pump(state);
    }
    for (const name of Object.keys(sent)) state.refused.set(name, sent[name]);
    mark(state, "error");
    const plain = (response.headers.get("Content-Type") || "").startsWith("text/plain") && text.trim();
    const why = status === 404 ? "This entry is no longer there." : "Your role or the stage of this job does not allow this.";
    Loombook.say(`Not saved: ${plain || why} What you typed is still on this page; reload it to see what stands.`, "error");
  }

  /** No answer: keep the post as it is and try it again. */
  function later(state) {
    mark(state, "unsaved");
    const wait = RETRY_S[Math.min(state.tries, RETRY_S.length - 1)];
    state.tries += 1;
    state.timer = setTimeout(() => send(state), wait * 1000);
  }

  function retryAll() {
    for (const state of states.values()) if (state.pending && !state.busy) send(state);
  }

  // Merging the answer into the row ------------------------------------------------------------

  function refuse(state, sent) {
    const named = Object.keys(sent).filter((name) => group(state.row, name).some((c) => c.type !== "hidden"));
    const invalid = named.filter((name) => group(state.row, name).some((c) => c.getAttribute("aria-invalid") === "true"));
    for (const name of invalid.length ? invalid : named) state.refused.set(name, sent[name]);
  }

  /** Put the row of the answer in place of ours; what was typed since the post stays. */
  function merge(state, html, sent, status) {
    const template = document.createElement("template");
    template.innerHTML = html;
    const fresh = [...template.content.querySelectorAll(ROW)].find((row) => rowUrl(row) === state.url);
    const keep = new Set();
    for (const name of new Set(controls(state.row).map((c) => c.name))) {
      const found = group(state.row, name);
      const now = values(found);
      if (same(now, state.refused.get(name))) keep.add(name);
      else if (!same(now, sent[name] ?? values(found, true)) && state.touched.has(name)) keep.add(name);
      else state.touched.delete(name);
      if (sent[name] && !same(state.refused.get(name), now)) state.refused.delete(name);
    }
    if (fresh && state.row.isConnected) {
      const kept = [...keep].map((name) => [name, values(group(state.row, name))]);
      const focus = focusIn(state.row);
      morph(state.row, fresh, keep);
      restore(state.row, kept, focus);
      for (const name of keep) {
        if (state.refused.has(name)) group(state.row, name).forEach((c) => c.setAttribute("aria-invalid", "true"));
      }
    }
    fresh?.remove();
    if (template.content.childElementCount) {
      htmx.swap(document.body, template.innerHTML, { swapStyle: "none", swapDelay: 0, settleDelay: 0, ignoreTitle: true });
    }
    if (status === 409) announceClash(state.row);
  }

  function announceClash(row) {
    const box = row.querySelector("[role=alert]");
    if (box) box.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  function focusIn(row) {
    const control = document.activeElement;
    if (!row.contains(control)) return null;
    return { control, name: control.name, value: control.value, start: control.selectionStart, end: control.selectionEnd };
  }

  function restore(row, kept, focus) {
    for (const [name, list] of kept) {
      const found = group(row, name);
      if (found.length && !same(values(found), list)) setValues(found, list);
    }
    if (!focus || document.activeElement === focus.control) return;
    const found = group(row, focus.name);
    const control = found.find((c) => c.type !== "radio" || c.value === focus.value) || found[0];
    if (!control) return;
    if (typing === focus.control) typing = control;
    control.focus({ preventScroll: true });
    if (typeof focus.start === "number") control.setSelectionRange?.(focus.start, focus.end);
  }

  // Another swap replaces rows that hold something unsaved: carry it over ------------------------

  function carry(target) {
    for (const state of states.values()) {
      if (!target || !(target === state.row || target.contains(state.row))) continue;
      const names = new Set([...state.touched, ...Object.keys(state.pending?.fields || {})]);
      const kept = [...names].filter((n) => n !== "version" && group(state.row, n).length);
      state.carry = { kept: kept.map((n) => [n, values(group(state.row, n))]), focus: focusIn(state.row) };
    }
  }

  function land() {
    for (const state of states.values()) {
      if (!state.carry) continue;
      const row = [...document.querySelectorAll(ROW)].find((r) => rowUrl(r) === state.url);
      const { kept, focus } = state.carry;
      state.carry = null;
      state.gone = !row;
      if (!row) continue;
      state.row = row;
      restore(row, kept, focus);
      if (state.busy || state.pending) mark(state, state.busy ? "saving" : "unsaved");
      else pump(state);
    }
  }

  // What the person sees -------------------------------------------------------------------------

  function mark(state, name) {
    state.shown = name;
    const { row } = state;
    row.dataset.state = name;
    row.setAttribute("aria-busy", String(name === "saving"));
    const words = row.querySelector(".row-state");
    if (words) words.textContent = WORDS[name];
    clearTimeout(state.fade);
    if (name === "saved") {
      state.fade = setTimeout(() => {
        if (state.shown !== "saved") return;
        delete state.row.dataset.state;
        const shown = state.row.querySelector(".row-state");
        if (shown) shown.textContent = "";
      }, 4000);
    }
    Loombook.strip(summary());
  }

  function summary() {
    const all = [...states.values()].filter((s) => !s.gone);
    const waiting = all.filter((s) => s.pending && !s.busy).length;
    if (signedOut && waiting) return { state: "unsaved", text: "You are signed out. Nothing you typed is lost.", signIn: true };
    if (waiting) {
      const what = waiting === 1 ? "1 row is" : `${waiting} rows are`;
      return { state: "unsaved", text: `${what} not saved yet. Will try again by itself; keep this page open.` };
    }
    const look = all.filter((s) => s.shown === "clash" || s.refused.size).length;
    if (look) {
      const text = look === 1 ? "One row needs a look: it is marked." : `${look} rows need a look: they are marked.`;
      return { state: "unsaved", text };
    }
    if (all.some((s) => s.busy)) return { state: "saving", text: "Saving" };
    return { state: "saved", text: "All saved" };
  }

  /** Rows on their way or waiting for an answer; rows holding something the server does not have. */
  Loombook.waiting = () => [...states.values()].filter((s) => !s.gone && (s.busy || s.pending)).length;
  Loombook.unsaved = () => [...states.values()].filter((s) => !s.gone && (s.pending || unsent(s).length)).length;

  // Events ---------------------------------------------------------------------------------------

  function edited(event, done) {
    const control = event.target;
    const row = rowOf(control);
    if (!row || !control.name || control.closest("[data-not-saved]")) return;
    const state = stateOf(row);
    state.touched.add(control.name);
    typing = done ? null : control;
    if (done) pump(state);
  }

  const isText = (c) => c.matches?.("textarea, input:not([type=checkbox], [type=radio])");
  document.addEventListener("input", (event) => isText(event.target) && edited(event, false));
  document.addEventListener("change", (event) => edited(event, true));
  document.addEventListener("focusout", (event) => {
    if (event.target === typing) typing = null;
    const row = rowOf(event.target);
    if (row && states.has(rowUrl(row))) pump(stateOf(row));
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches(ROW)) return;
    event.preventDefault();
    typing = null;
    if (states.has(rowUrl(event.target))) pump(stateOf(event.target));
  }, true);

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("[data-clash-use], [data-clash-close]");
    const row = button && rowOf(button);
    if (!row) return;
    const name = button.dataset.clashUse;
    button.closest(".clash")?.remove();
    const state = stateOf(row);
    if (name) {
      const [control] = group(row, name);
      setValues(group(row, name), [button.dataset.value]);
      control?.dispatchEvent(new Event("change", { bubbles: true }));
      control?.focus();
    }
    if (state.shown === "clash") mark(state, "saved");
  });

  /* The posts of rows are made above: htmx's own would send the whole row without a queue. */
  document.addEventListener("htmx:confirm", (event) => {
    if (event.detail.elt.matches(ROW)) event.preventDefault();
  });
  document.addEventListener("htmx:beforeSwap", (event) => event.detail.shouldSwap && carry(event.detail.target));
  document.addEventListener("htmx:oobBeforeSwap", (event) => carry(event.detail.target));
  document.addEventListener("htmx:afterSettle", land);
  document.addEventListener("htmx:oobAfterSwap", land);

  window.addEventListener("online", retryAll);
  window.addEventListener("focus", () => signedOut && retryAll());
  window.addEventListener("beforeunload", (event) => {
    const lost = [...states.values()].some((s) => !s.gone && (s.pending || unsent(s).length));
    if (lost) event.preventDefault();
  });

  /* A browser may put old text back after a reload: show what the server holds. */
  for (const row of document.querySelectorAll(ROW)) {
    for (const control of controls(row)) setValues(group(row, control.name), values(group(row, control.name), true));
  }
})();
