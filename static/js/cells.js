/* Cells that save themselves.
 *
 * A row is an element with data-cell-form, its address in hx-post (or action) and a hidden `version`.
 * When a control of the row changes, an entry is made of the changed controls, the row's version and
 * a key; outbox.js keeps it on this device and sends it, in order. The answer is the row again with
 * its fresh version, and any out-of-band parts.
 *
 * - What is typed and not yet an entry is kept as a draft, and stands in its cell again after the
 *   page was closed.
 * - While [data-both-sides] is ticked, an entry of a row with data-other-side is meant for that row too.
 * - The answer is merged into the row in place, so the cell being typed in keeps its text, caret
 *   and focus.
 *
 * Hidden inputs marked data-with-cells, anywhere on the page, go along with every entry.
 *
 * After a save the body gets the event cells:saved, on which other parts of the page ask for themselves again.
 *
 * Answers: 2xx saved; 409 someone else changed it (the row with a clash box); 422 the row with its
 * errors; anything else: not taken, and kept (waiting.js lists it).
 */
(() => {
  "use strict";

  const { ROW, rowOf, rowUrl, rowAt, rowIn, controls, hiddenOf, group, values, setValues, same, morph, called, parse, focusIn, refocus, mark } = Loombook.rows;
  const { outbox } = Loombook;
  const DRAFT_MS = 300;
  /** address -> {url, row, queue, clashes, touched, refused, base, carry, gone}
   *  queue: entries on their way, oldest first; clashes: entries that wait for a choice;
   *  base: the version on which a draft was typed, until it is sent */
  const states = new Map();
  /** Keys of entries that the page has shown in their row. */
  const adopted = new Set();
  let typing = null;

  function stateOf(row) {
    const url = rowUrl(row);
    if (!states.has(url)) {
      states.set(url, { url, row, queue: [], clashes: [], touched: new Set(), refused: new Map(), base: null });
    }
    const state = states.get(url);
    state.row = row;
    return state;
  }

  /** What was last sent of a name, or what the server's row says. */
  function known(state, name) {
    const sent = state.queue.findLast((entry) => name in entry.fields);
    return sent ? sent.fields[name] : values(group(state.row, name), true);
  }

  /** Names whose value is neither on the server nor on its way there. */
  function unsent(state) {
    return [...state.touched].filter((name) => {
      const found = group(state.row, name);
      return found.length && !same(values(found), known(state, name));
    });
  }

  function versionOf(state) {
    if (state.queue.length) return state.queue[0].fields.version;
    if (state.base) return state.base;
    const input = hiddenOf(state.row).find((one) => one.name === "version");
    return input ? [input.value] : undefined;
  }

  // Making entries ----------------------------------------------------------------------------------

  /** A refused control with data-again is sent along with what was changed to answer the refusal. */
  function addAgain(state, fields) {
    for (const [name, list] of state.refused) {
      const found = group(state.row, name);
      if (name in fields || !found.some((c) => "again" in c.dataset) || !same(values(found), list)) continue;
      fields[name] = list;
      state.refused.delete(name);
    }
  }

  function pump(state) {
    if (state.gone) return;
    const fields = Object.create(null);
    for (const name of unsent(state)) {
      const found = group(state.row, name);
      const now = values(found);
      if (same(now, state.refused.get(name)) || found.includes(typing)) continue;
      fields[name] = now;
    }
    const names = Object.keys(fields);
    if (names.length) {
      addAgain(state, fields);
      const version = versionOf(state);
      for (const hidden of hiddenOf(state.row)) if (!(hidden.name in fields)) fields[hidden.name] = [hidden.value];
      if (version) fields.version = version;
      addOtherSide(state, fields);
      state.base = null;
      const entry = { kind: "cells", url: state.url, fields, page: location.pathname + location.search, what: called(state.row, names) };
      entry.key = outbox.makeKey();
      adopted.add(entry.key);
      state.queue.push(entry);
      settleClashes(state, names);
      outbox.add(entry);
      mark(state, "saving");
    }
    keepDraft(state);
  }

  /** While left and right are set together, what is entered on a row is entered on its other side too. */
  function addOtherSide(state, fields) {
    const other = document.querySelector("[data-both-sides]:checked") && state.row.dataset.otherSide;
    if (!other) return;
    fields.both = ["1"];
    const row = rowAt(other);
    const version = row && versionOf(stateOf(row));
    if (version) fields.other_version = version;
  }

  /** A field chosen anew is no clash any more. */
  function settleClashes(state, names) {
    const over = state.clashes.filter((entry) => names.some((name) => name in entry.fields));
    state.clashes = state.clashes.filter((entry) => !over.includes(entry));
    for (const entry of over) outbox.drop(entry.id);
  }

  function keepDraft(state) {
    clearTimeout(state.drafting);
    state.drafting = 0;
    const refused = [...state.refused].filter(([name, list]) => same(values(group(state.row, name)), list));
    const aside = outbox.entries().filter((entry) => entry.url === state.url && entry.state !== "waiting");
    const inEntry = (name) => aside.some((entry) => same(values(group(state.row, name)), entry.fields[name]));
    const held = new Set([...unsent(state), ...refused.map(([name]) => name)].filter((name) => !inEntry(name)));
    const fields = Object.fromEntries([...held].map((name) => [name, values(group(state.row, name))]));
    const names = Object.keys(fields);
    if (!names.length && !state.drafted) return;
    state.drafted = names.length > 0;
    const said = names.some((name) => state.refused.has(name)) ? state.said || told("Not accepted") : "";
    const version = names.length ? versionOf(state) : undefined;
    outbox.draft({
      url: state.url,
      page: location.pathname + location.search,
      what: names.length ? called(state.row, names) : "",
      fields: version ? { ...fields, version } : fields,
      refused: said,
    });
  }

  function keepDraftSoon(state) {
    if (!state.drafting) state.drafting = setTimeout(keepDraft, DRAFT_MS, state);
  }

  function keepDraftsNow() {
    for (const state of states.values()) if (state.drafting && !state.gone) keepDraft(state);
  }

  /** Hidden inputs marked data-with-cells go along when this page shows the row. */
  outbox.along(({ kind, url }) => {
    if (kind !== "cells" || !states.has(url)) return {};
    const inputs = document.querySelectorAll('input[type="hidden"][data-with-cells]');
    return Object.fromEntries([...inputs].map((input) => [input.name, [input.value]]));
  });

  // Answers -----------------------------------------------------------------------------------------

  document.addEventListener("outbox:answer", ({ detail }) => {
    const { entry, status, text, refresh, said } = detail;
    const row = entry.kind === "cells" && (states.get(entry.url)?.row?.isConnected ? states.get(entry.url).row : rowAt(entry.url));
    if (status < 300 && entry.kind === "cells") remember(entry.url, text);
    if (!row) return;
    const state = stateOf(row);
    state.queue = state.queue.filter((one) => one.key !== entry.key);
    const ok = status < 300;
    if (ok) for (const [name, list] of Object.entries(entry.fields)) if (same(state.refused.get(name), list)) state.refused.delete(name);
    if (ok || status === 409 || status === 422) {
      merge(state, text, entry.fields, status);
      state.said = status === 422 ? said : "";
      if (status === 422) refuse(state, entry.fields);
      if (status === 409) state.clashes.push(entry);
      if (ok) document.body.dispatchEvent(new CustomEvent("cells:saved", { detail: { url: state.url } }));
    } else {
      for (const name of Object.keys(entry.fields)) if (group(row, name).length) state.refused.set(name, entry.fields[name]);
      Loombook.say(told("Not saved: %(said)s What you typed is kept on this device.", { said }), "error");
    }
    if (state.queue.length) mark(state, "saving");
    else mark(state, status === 409 || state.clashes.length ? "clash" : !ok || state.refused.size ? "error" : "saved");
    if (refresh) location.reload();
    else pump(state);
  });

  /** The row as the server has it, for a page that is opened without network later. */
  function remember(url, html) {
    if (!navigator.serviceWorker?.controller) return;
    const fresh = rowIn(parse(html), url);
    if (fresh) outbox.keepRow(url, fresh.outerHTML);
  }

  // Merging a row ------------------------------------------------------------------------------------

  function refuse(state, sent) {
    const named = Object.keys(sent).filter((name) => group(state.row, name).some((c) => c.type !== "hidden"));
    const invalid = named.filter((name) => group(state.row, name).some((c) => c.getAttribute("aria-invalid") === "true"));
    for (const name of invalid.length ? invalid : named) {
      state.refused.set(name, sent[name]);
      state.touched.add(name);
    }
  }

  /** Put the row of the answer in place of ours; what was typed or queued since stays. */
  function merge(state, html, sent, status) {
    const template = parse(html);
    const fresh = rowIn(template, state.url);
    const keep = new Set(state.queue.flatMap((entry) => Object.keys(entry.fields)).filter((name) => name !== "version"));
    for (const name of new Set(controls(state.row).map((c) => c.name))) {
      const found = group(state.row, name);
      const now = values(found);
      if (same(now, state.refused.get(name))) keep.add(name);
      else if (!same(now, sent[name] ?? values(found, true)) && state.touched.has(name)) keep.add(name);
      else if (!keep.has(name)) state.touched.delete(name);
      if (sent[name] && !same(state.refused.get(name), now)) state.refused.delete(name);
    }
    if (fresh && state.row.isConnected) {
      const kept = [...keep].filter((name) => group(state.row, name).length).map((name) => [name, values(group(state.row, name))]);
      const focus = focusIn(state.row);
      morph(state.row, fresh, keep);
      restore(state.row, kept, focus);
      for (const name of keep) {
        if (state.refused.has(name)) group(state.row, name).forEach((c) => c.setAttribute("aria-invalid", "true"));
      }
    }
    fresh?.remove();
    swapRest(template);
    if (status === 409) state.row.querySelector("[role=alert]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
  }

  function swapRest(template) {
    if (!template.content.childElementCount) return;
    htmx.swap(document.body, template.innerHTML, { swapStyle: "none", swapDelay: 0, settleDelay: 0, ignoreTitle: true });
  }

  const unsettled = (state) => state.queue.length || state.clashes.length || state.refused.size || unsent(state).length;

  /** Rows as somebody else left them: put in, except where this page holds something unsaved.
   *  Gives how many were left out. */
  function refresh(html) {
    const template = parse(html);
    let left = 0;
    for (const fresh of template.content.querySelectorAll(ROW)) {
      const url = rowUrl(fresh);
      const row = rowAt(url);
      const state = states.get(url);
      if (row && state?.row === row && unsettled(state)) left += 1;
      else if (row) {
        if (navigator.serviceWorker?.controller) outbox.keepRow(url, fresh.outerHTML);
        const focus = focusIn(row);
        state?.touched.clear();
        morph(row, fresh, new Set());
        restore(row, [], focus);
      }
      fresh.remove();
    }
    swapRest(template);
    return left;
  }

  function restore(row, kept, focus) {
    for (const [name, list] of kept) {
      const found = group(row, name);
      if (found.length && !same(values(found), list)) setValues(found, list);
    }
    const control = refocus(row, focus);
    if (control && typing === focus.control) typing = control;
  }

  // Another swap replaces rows that hold something unsaved: carry it over ------------------------------

  function carry(target) {
    for (const state of states.values()) {
      if (!target || !(target === state.row || target.contains(state.row))) continue;
      const names = new Set([...state.touched, ...state.queue.flatMap((entry) => Object.keys(entry.fields))]);
      const kept = [...names].filter((n) => n !== "version" && group(state.row, n).length);
      state.carry = { kept: kept.map((n) => [n, values(group(state.row, n))]), focus: focusIn(state.row) };
    }
  }

  function land() {
    for (const state of states.values()) {
      if (!state.carry) continue;
      const row = rowAt(state.url);
      const { kept, focus } = state.carry;
      state.carry = null;
      state.gone = !row;
      if (!row) continue;
      state.row = row;
      restore(row, kept, focus);
      if (state.queue.length) mark(state, "unsaved");
      else pump(state);
    }
    adopt();
  }

  // What this device still holds of the rows on the page -------------------------------------------------

  /** Show waiting entries and drafts in their cells; ask again, once, about those set aside. */
  function adopt() {
    for (const entry of outbox.entries()) {
      const row = entry.kind === "cells" && !adopted.has(entry.key) && rowAt(entry.url);
      if (!row) continue;
      const state = stateOf(row);
      adopted.add(entry.key);
      state.gone = false;
      state.queue.push(entry);
      show(state, entry.fields);
      mark(state, "unsaved");
      if (entry.state !== "waiting") outbox.retry(entry.id);
    }
    for (const draft of outbox.drafts()) {
      const row = rowAt(draft.url);
      if (!row || states.get(draft.url)?.drafted) continue;
      const state = stateOf(row);
      state.drafted = true;
      state.base = draft.version || null;
      show(state, draft.fields);
      if (!unsent(state).length) keepDraft(state);
      else if (draft.refused) pump(state);
      else mark(state, "typed");
    }
  }

  function show(state, fields) {
    for (const [name, list] of Object.entries(fields)) {
      const found = group(state.row, name).filter((c) => c.type !== "hidden");
      if (!found.length) continue;
      setValues(found, list);
      state.touched.add(name);
    }
  }

  // What the person sees -----------------------------------------------------------------------------

  document.addEventListener("outbox:changed", () => {
    const { down, signedOut, draining } = outbox.state();
    for (const state of states.values()) {
      if (!state.queue.length || state.gone || state.shown === "clash") continue;
      const wanted = down || signedOut || !draining ? "unsaved" : "saving";
      if (state.shown !== wanted) mark(state, wanted);
    }
  });

  /** Rows that need a look: a value not accepted, a clash. */
  Loombook.needLook = () => [...states.values()].filter((s) => !s.gone && (s.shown === "clash" || s.refused.size)).length;
  /** Entries on their way; entries that leaving this page would lose. */
  Loombook.waiting = () => outbox.state().coming + outbox.entries().filter((entry) => entry.state === "waiting").length;
  Loombook.unsaved = () => (outbox.kept() ? 0 : outbox.entries().length + [...states.values()].filter((s) => !s.gone && unsent(s).length).length);
  Loombook.cells = { refresh, busy: () => [...states.values()].some((s) => !s.gone && unsettled(s)) };

  // Events ---------------------------------------------------------------------------------------

  function edited(event, done) {
    const control = event.target;
    const row = rowOf(control);
    if (!row || !control.name || control.closest("[data-not-saved]")) return;
    const state = stateOf(row);
    state.touched.add(control.name);
    typing = done ? null : control;
    if (done) pump(state);
    else keepDraftSoon(state);
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
    const box = button.closest(".clash");
    const field = name || box?.querySelector("[data-clash-use]")?.dataset.clashUse;
    box?.remove();
    const state = stateOf(row);
    if (name) {
      const [control] = group(row, name);
      setValues(group(row, name), [button.dataset.value]);
      control?.dispatchEvent(new Event("change", { bubbles: true }));
      control?.focus();
    } else if (field) settleClashes(state, [field]);
    if (state.shown === "clash" && !row.querySelector(".clash")) mark(state, "saved");
    document.dispatchEvent(new CustomEvent("outbox:changed"));
  });

  /* The posts of rows are made above: htmx's own would send the whole row without a queue. */
  document.addEventListener("htmx:confirm", (event) => {
    if (event.detail.elt.matches(ROW)) event.preventDefault();
  });
  document.addEventListener("htmx:beforeSwap", (event) => event.detail.shouldSwap && carry(event.detail.target));
  document.addEventListener("htmx:oobBeforeSwap", (event) => carry(event.detail.target));
  document.addEventListener("htmx:afterSettle", land);
  document.addEventListener("htmx:oobAfterSwap", land);

  document.addEventListener("visibilitychange", () => document.hidden && keepDraftsNow());
  window.addEventListener("pagehide", keepDraftsNow);
  window.addEventListener("beforeunload", (event) => {
    if (Loombook.unsaved()) event.preventDefault();
  });

  /* Whether left and right are set together is kept while this tab is open. */
  const together = document.querySelector("[data-both-sides]");
  if (together) {
    const name = `both-sides ${together.dataset.bothSides}`;
    const kept = Loombook.tab(name);
    together.checked = kept === "1";
    together.addEventListener("change", () => Loombook.tab(name, together.checked ? "1" : ""));
  }

  /* A browser may put old text back after a reload: show what the server holds. */
  for (const row of document.querySelectorAll(ROW)) {
    for (const control of controls(row)) setValues(group(row, control.name), values(group(row, control.name), true));
  }
  outbox.ready.then(adopt);
})();
