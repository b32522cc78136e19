/* Reading a row's controls, and merging a fresh row into the one on the page (used by cells.js). */
(() => {
  "use strict";

  const ROW = "[data-cell-form]";
  const CONTROL = "input[name], select[name], textarea[name]";
  const rowUrl = (row) => row.getAttribute("hx-post") || row.getAttribute("action");
  const rowOf = (node) => (node instanceof Element ? node.closest(ROW) : null);

  // Values of all controls that share a name: always a list of strings.

  const controls = (row) => [...row.querySelectorAll(CONTROL)].filter((c) => rowOf(c) === row);
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
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
    for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
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
    if (old.tagName === "SELECT" && !keep.has(old.name)) setValues([old], values([old], true));
  }

  function drop(node) {
    const next = node.nextSibling;
    node.remove();
    return next;
  }

  Loombook.rows = { ROW, rowOf, rowUrl, controls, group, values, setValues, same, morph };
})();
