/* The wires grid: a block pasted into a cell, one cell filled down, what was used last offered first.
 *
 * table[data-paste-wires]   address that takes a block: the text, the cell it was pasted into, the rows' versions
 * form[data-fill-down]      names of the cells that can be filled down; its button takes the cell tapped last
 * tr[data-channel]          a row: its channel's key; data-device what it belongs to, data-feeds where it feeds something
 */
(() => {
  "use strict";

  const grid = document.querySelector("[data-paste-wires]");
  if (!grid) return;
  const { group, setValues } = Loombook.rows;
  const fill = document.querySelector("[data-fill-down]");
  const plugs = document.getElementById("plugs-known");
  const KEPT = "loombook-colours";
  const MOST = 6;
  const rowOf = (node) => node.closest?.("tr[data-channel]");
  const rows = () => [...grid.querySelectorAll("tr[data-channel]")];

  // A block --------------------------------------------------------------------------------------

  grid.addEventListener("paste", (event) => {
    const control = event.target.closest?.("input[name], select[name]");
    const row = control && rowOf(control);
    const text = event.clipboardData?.getData("text/plain") || "";
    if (!row || !fill || !/[\t\n]/.test(text.replace(/\r?\n$/, ""))) return;
    event.preventDefault();
    const values = { text, at: row.dataset.channel, column: control.name };
    for (const one of rows()) values[`row-${one.dataset.channel}`] = group(one, "version")[0].value;
    htmx.ajax("POST", grid.dataset.pasteWires, { source: grid, target: "#place", swap: "innerHTML", values });
  });

  // One cell for the rows below -------------------------------------------------------------------

  let last = null;

  function choose(control) {
    const button = fill?.querySelector("button");
    if (!button || !control.name || control.type === "hidden") return;
    last = fill.dataset.fillDown.split(" ").includes(control.name) ? control : null;
    button.disabled = !last;
    const label = last?.getAttribute("aria-label") || "";
    const said = document.documentElement.lang.startsWith("en") ? label.toLowerCase().replace(/, (\S+)$/, (_, at) => ` of ${at.toUpperCase()}`) : label;
    const called = last ? `: ${said}` : "";
    button.querySelector("span").textContent = told("Fill down%(called)s", { called });
  }

  function below(control) {
    const own = rowOf(control);
    const device = rows().filter((row) => row.dataset.device === own.dataset.device);
    const feeding = device.some((row) => "feeds" in row.dataset);
    return device.slice(device.indexOf(own) + 1).filter((row) => !feeding || "feeds" in row.dataset);
  }

  if (fill) {
    fill.hidden = false;
    fill.addEventListener("htmx:configRequest", (event) => {
      const { parameters } = event.detail;
      parameters.at = rowOf(last).dataset.channel;
      parameters.column = last.name;
      parameters.value = last.value;
    });
    /* Without a network each row waits on this device by itself. */
    document.addEventListener("htmx:sendError", (event) => {
      if (event.detail.elt !== fill || !last?.value) return;
      event.stopImmediatePropagation();
      for (const row of below(last)) {
        const [control] = group(row, last.name);
        if (!control || control.value) continue;
        setValues([control], [last.value]);
        control.dispatchEvent(new Event("change", { bubbles: true }));
      }
    }, true);
  }

  // Used last, offered first ----------------------------------------------------------------------

  const isColour = (control) => control.matches?.("select") && /_(base|stripe)$/.test(control.name);

  function used() {
    try {
      return JSON.parse(localStorage.getItem(KEPT)) || [];
    } catch {
      return [];
    }
  }

  function order(select) {
    const { value } = select;
    const first = select.options[0];
    for (const one of used().toReversed()) {
      const option = [...select.options].find((known) => known.value === one);
      if (option && option !== first) first.after(option);
    }
    select.value = value;
  }

  function remember(control) {
    const kept = [control.value, ...used().filter((one) => one !== control.value)].slice(0, MOST);
    try {
      localStorage.setItem(KEPT, JSON.stringify(kept));
    } catch {
      /* no storage: the standard's order stays */
    }
  }

  function offer(name) {
    const known = [...plugs.options].find((one) => one.value === name) || document.createElement("option");
    known.value = name;
    plugs.prepend(known);
  }

  /* A row's answer has the standard's order again. */
  document.body.addEventListener("cells:saved", () => [...grid.querySelectorAll("select")].filter(isColour).forEach(order));

  grid.addEventListener("focusin", (event) => {
    if (isColour(event.target)) order(event.target);
    if (rowOf(event.target)) choose(event.target);
  });
  grid.addEventListener("change", (event) => {
    const control = event.target;
    if (isColour(control) && control.value) {
      remember(control);
      order(control);
    } else if (control.name === "connector" && control.value && plugs) offer(control.value);
  });
})();
