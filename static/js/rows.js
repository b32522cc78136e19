/* Reading a row's controls, and merging a fresh row into the one on the page (used by cells.js). */
(() => {
  "use strict";

  const ROW = "[data-cell-form]";
  const CONTROL = "input[name], select[name], textarea[name]";
  const WORDS = {
    saving: told("Saving"),
    saved: told("Saved"),
    unsaved: told("Not on the server yet"),
    typed: told("Typed, not saved: look at it, then leave the cell"),
    clash: told("Clash"),
    error: told("Not saved"),
  };
  const rowUrl = (row) => row.getAttribute("hx-post") || row.getAttribute("action");
  const rowAt = (url) => [...document.querySelectorAll(ROW)].find((row) => rowUrl(row) === url);
  const rowIn = (template, url) => [...template.content.querySelectorAll(ROW)].find((row) => rowUrl(row) === url);
  const rowOf = (node) => (node instanceof Element ? node.closest(ROW) : null);

  // Values of all controls that share a name: always a list of strings.

  const controls = (row) => [...row.querySelectorAll(CONTROL)].filter((c) => rowOf(c) === row);
  const hiddenOf = (row) => controls(row).filter((c) => c.type === "hidden");
  const group = (row, name) => controls(row).filter((c) => c.name === name);

  function values(group, initial = false) {
    const [first] = group;
    if (first.type === "radio" || first.type === "checkbox") {
      const on = group.filter((c) => (initial ? c.defaultChecked : c.checked)).map((c) => c.value);
      if (first.type === "checkbox" && group.length === 1) return on.length ? on : ["false"];
      return on.length ? on : [""];
    }
    if (first.tagName === "SELECT") {
      const options = [...first.options];
      if (!initial) return options.filter((o) => o.selected).map((o) => o.value);
      const set = options.filter((o) => o.defaultSelected);
      return (set.length || first.multiple ? set : options.slice(0, 1)).map((o) => o.value);
    }
    return [initial ? first.defaultValue : first.value];
  }

  function setValues(group, wanted) {
    for (const control of group) {
      if (control.type === "radio" || control.type === "checkbox") {
        control.checked = wanted.includes(control.value) && !(group.length === 1 && wanted[0] === "false");
      } else if (control.tagName === "SELECT") {
        for (const option of control.options) option.selected = wanted.includes(option.value);
      } else control.value = wanted[0];
    }
  }

  const same = (a, b) => a && b && a.length === b.length && a.every((x, i) => x === b[i]);

  const alike = (a, b) =>
    a.nodeType === b.nodeType &&
    a.nodeName === b.nodeName &&
    (a.nodeType !== 1 || (a.id === b.id && a.getAttribute("name") === b.getAttribute("name") && a.type === b.type));

  /** Make `old` equal to `fresh`, keeping the elements both have, and the values of the names in `keep`. */
  function morph(old, fresh, keep) {
    if (old.nodeType !== 1) {
      if (old.data !== fresh.data) old.data = fresh.data;
      return;
    }
    const own = (name) => name === "data-name" || (old.dataset.caution && (name === "open" || name === "data-asked"));
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name) && !own(name)) old.removeAttribute(name);
    for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value && !own(name)) old.setAttribute(name, value);
    if (old.tagName === "INPUT") {
      if (keep.has(old.name)) return;
      if (old.type === "checkbox" || old.type === "radio") old.checked = fresh.checked;
      else if (old.value !== fresh.value) old.value = fresh.value;
      return;
    }
    if (old.tagName === "TEXTAREA") {
      const typed = keep.has(old.name) ? old.value : fresh.value;
      old.defaultValue = fresh.defaultValue;
      if (old.value !== typed) old.value = typed;
      return;
    }
    const chosen = old.tagName === "SELECT" && keep.has(old.name) ? values([old]) : null;
    let cursor = old.firstChild;
    for (const node of [...fresh.childNodes]) {
      let match = cursor;
      while (match && !alike(match, node)) match = node.nodeType === 1 ? match.nextSibling : null;
      if (match) {
        while (cursor !== match) cursor = drop(cursor);
        cursor = match.nextSibling;
        morph(match, node, keep);
      } else {
        old.insertBefore(node, cursor);
        if (node.nodeType === 1) htmx.process(node);
      }
    }
    while (cursor) cursor = drop(cursor);
    if (old.tagName === "SELECT") setValues([old], chosen || values([old], true));
  }

  function drop(node) {
    const next = node.nextSibling;
    node.remove();
    return next;
  }

  function parse(html) {
    const template = document.createElement("template");
    template.innerHTML = html;
    return template;
  }

  /** What these cells of a row are called, for the list of what waits. */
  function called(row, names) {
    const control = names.flatMap((name) => group(row, name)).find((c) => c.type !== "hidden");
    const label = control?.getAttribute("aria-label") || control?.labels?.[0]?.textContent || "";
    const set = control?.closest("fieldset")?.querySelector("legend")?.textContent || "";
    return (control?.type === "radio" ? set : label).trim().replace(/\s+/g, " ").slice(0, 120);
  }

  function focusIn(row) {
    const control = document.activeElement;
    if (!row.contains(control)) return null;
    return { control, name: control.name, value: control.value, start: control.selectionStart, end: control.selectionEnd };
  }

  /** Put the focus back to where `focusIn` found it; gives the control when it is another element. */
  function refocus(row, focus) {
    if (!focus || document.activeElement === focus.control) return null;
    const found = group(row, focus.name);
    const control = found.find((c) => c.type !== "radio" || c.value === focus.value) || found[0];
    if (!control) return null;
    control.focus({ preventScroll: true });
    if (typeof focus.start === "number") control.setSelectionRange?.(focus.start, focus.end);
    return control;
  }

  /** Show what became of a row; "saved" goes by itself. `state` holds the row and what was shown last. */
  function mark(state, name) {
    state.shown = name;
    const { row } = state;
    row.dataset.state = name === "typed" ? "unsaved" : name;
    row.setAttribute("aria-busy", String(name === "saving"));
    const words = row.querySelector(".row-state");
    if (words) words.textContent = WORDS[name];
    clearTimeout(state.fade);
    if (name !== "saved") return;
    state.fade = setTimeout(() => {
      if (state.shown !== "saved") return;
      delete state.row.dataset.state;
      const shown = state.row.querySelector(".row-state");
      if (shown) shown.textContent = "";
    }, 4000);
  }

  Loombook.rows = {
    ROW, rowOf, rowUrl, rowAt, rowIn, controls, hiddenOf, group, values, setValues, same, morph, parse, called, focusIn, refocus, mark,
  };
})();
