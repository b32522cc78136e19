/* The page around the cells: token, messages, theme, dialogs, grid keys.
 *
 * data-dialog="id"            opens <dialog id="id">; data-close closes the dialog around it
 * <dialog data-open>          opens by itself, once, also when it arrives in a swap: closed, it stays closed
 * data-confirm="Question?"    asks before the button or link acts; data-confirm-yes names the answer
 * data-theme-switch           radios named theme: auto, light, dark
 */
(() => {
  "use strict";

  const meta = (name) => document.querySelector(`meta[name="${name}"]`)?.content || "";
  const signInUrl = meta("sign-in");
  const isSignIn = (url) =>
    Boolean(signInUrl) && Boolean(url) && new URL(url, location.href).pathname === signInUrl && location.pathname !== signInUrl;

  /** What an answer is about, as our server writes it on each of its own (shop/middleware.py): "entry"
   *  what was sent, "later" nothing can be done now, "fault" our program failed, "token" the page's
   *  token is out of date. Besides: "signed-out", and "away" when it is not our server that answers:
   *  no network, a proxy in front of a server that is down, the sign-in page of somebody's wifi.
   *  Too large (413) is said by proxies in our place. */
  function about(status, mark, url) {
    if (status === 413) return "entry";
    if (!status || !mark) return "away";
    return status === 401 || isSignIn(url) ? "signed-out" : mark;
  }
  const MARK = "Loombook-About";
  const aboutOf = (response) => about(response.status, response.headers.get(MARK), response.url);
  const aboutXhr = (xhr) => about(xhr.status, xhr.getResponseHeader(MARK), xhr.responseURL);

  /** The cookie is fresh after signing in again in another tab; the page's own token is not. Its name
   *  is another over TLS (shop/cookies.py). */
  function csrfToken() {
    const begins = `${location.protocol === "https:" ? "__Host-" : ""}csrftoken=`;
    const cookie = document.cookie.split("; ").find((one) => one.startsWith(begins));
    return cookie ? decodeURIComponent(cookie.slice(begins.length)) : meta("csrf-token");
  }

  /* The tab of this section is in view, however narrow the page. */
  const here = document.querySelector('.tabs [aria-current="page"]');
  if (here) here.parentElement.scrollLeft = here.offsetLeft - (here.parentElement.clientWidth - here.offsetWidth) / 2;

  function icon(name) {
    const sprite = document.querySelector("svg.icon use")?.getAttribute("href")?.split("#")[0];
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("class", "icon");
    svg.setAttribute("aria-hidden", "true");
    const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
    use.setAttribute("href", `${sprite || ""}#${name}`);
    svg.append(use);
    return svg;
  }

  /** Say something at the top of the page: level is success, warning or error. */
  function say(text, level = "warning", link = null) {
    const box = document.getElementById("messages");
    if (!box || [...box.children].some((p) => p.textContent.startsWith(text))) return;
    const line = document.createElement("p");
    line.className = `message ${level}`;
    const words = document.createElement("span");
    words.append(text);
    if (link) words.append(" ", link);
    const close = document.createElement("button");
    close.type = "button";
    close.className = "btn quiet small-text";
    close.textContent = told("Close");
    close.addEventListener("click", () => line.remove());
    line.append(icon(level === "success" ? "done" : level === "error" ? "stop" : "caution"), words, close);
    box.append(line);
    line.scrollIntoView({ block: "nearest" });
  }

  function signInLink() {
    const link = document.createElement("a");
    link.href = signInUrl;
    link.target = "_blank";
    link.rel = "noopener";
    link.textContent = told("Sign in again in a new tab");
    return link;
  }

  // The strip that says saved, saving, not saved -----------------------------------------------

  const strip = document.getElementById("save-strip");
  let stripTimer = 0;

  function showStrip({ state, text, signIn, open }) {
    if (!strip) return;
    clearTimeout(stripTimer);
    const put = () => {
      strip.dataset.state = state;
      const same = strip.textContent.startsWith(text);
      if (!same) strip.replaceChildren(icon({ saved: "done", saving: "sync", unsaved: "caution" }[state]), text, " ");
      if (!same && signIn) strip.append(signInLink());
      if (!same && open) strip.append(listButton(open));
    };
    if (state === "saving") {
      if (strip.dataset.state === "saved") strip.replaceChildren();
      if (strip.dataset.state !== "unsaved") stripTimer = setTimeout(put, 500);
      return;
    }
    put();
    if (state === "saved") stripTimer = setTimeout(() => strip.replaceChildren(), 3000);
  }

  function listButton(open) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "btn quiet small-text";
    made.textContent = told("Show");
    made.addEventListener("click", open);
    return made;
  }

  /** Whose page this is: the server refuses what a page of one person sends as another. */
  function person() {
    const pk = meta("person");
    return pk ? { "Loombook-Person": pk } : {};
  }

  /** The page's language, for days: in English the browser's own. */
  const { lang } = document.documentElement;
  const spoken = lang.startsWith("en") ? [] : lang;

  /** Time of day of an ISO moment, with the day when it is not today. */
  function clock(iso) {
    const then = new Date(iso);
    const time = then.toLocaleTimeString(spoken, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
    if (then.toDateString() === new Date().toDateString()) return time;
    return `${then.toLocaleDateString(spoken, { day: "numeric", month: "short" })}, ${time}`;
  }

  /** A word kept while this tab is open; storage may be off. */
  function tab(name, value) {
    try {
      if (value === undefined) return sessionStorage.getItem(name) || "";
      if (value) sessionStorage.setItem(name, value);
      else sessionStorage.removeItem(name);
    } catch {
      /* it holds for this page */
    }
    return value || "";
  }

  window.Loombook = { aboutOf, aboutXhr, clock, csrfToken, isSignIn, person, say, strip: showStrip, tab };

  // htmx: token, sessions that ended, answers that did not come --------------------------------

  document.addEventListener("htmx:configRequest", (event) => {
    if (event.detail.verb !== "get") Object.assign(event.detail.headers, { "X-CSRFToken": csrfToken() }, person());
  });
  const noAnswer = () => say(told("This needs the network, and the server does not answer. Nothing was changed: try again when the network is back."), "error");
  document.addEventListener("htmx:beforeSwap", (event) => {
    const { xhr } = event.detail;
    const now = aboutXhr(xhr);
    if (now !== "away" && (now !== "signed-out" || xhr.status >= 400)) return;
    event.preventDefault();
    if (now === "away") noAnswer();
    else say(told("You are signed out."), "warning", signInLink());
  });
  /** What our server says of a request that failed, in one plain sentence. */
  const saidBy = (xhr) => ((xhr.getResponseHeader("Content-Type") || "").startsWith("text/plain") ? xhr.responseText.trim() : "");
  document.addEventListener("htmx:responseError", (event) => {
    const { xhr } = event.detail;
    const { status } = xhr;
    if (status === 401) say(told("You are signed out."), "warning", signInLink());
    else if (saidBy(xhr)) say(saidBy(xhr), "error");
    else if (status === 403) say(told("Your role or the stage of this job does not allow this."), "error");
    else if (status === 404) say(told("This is no longer there. Reload the page to see what changed."), "error");
    else say(told("The server could not do this. Nothing was changed: please try again."), "error");
  });
  document.addEventListener("htmx:sendError", noAnswer);
  document.addEventListener("htmx:timeout", noAnswer);

  // Theme ----------------------------------------------------------------------------------------

  function applyTheme(theme) {
    if (theme === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = theme;
    try {
      localStorage.setItem("theme", theme);
    } catch {
      /* storage is off: the choice holds for this page */
    }
  }
  for (const box of document.querySelectorAll("[data-theme-switch]")) {
    box.hidden = false;
    const now = document.documentElement.dataset.theme || "auto";
    for (const radio of box.querySelectorAll("input")) radio.checked = radio.value === now;
    box.addEventListener("change", (event) => applyTheme(event.target.value));
  }

  // Dialogs, menus, questions ----------------------------------------------------------------------

  function openDialogs(root) {
    for (const dialog of root.querySelectorAll("dialog[data-open]:not([open])")) {
      dialog.removeAttribute("data-open");
      dialog.showModal();
    }
  }

  const agreed = new WeakSet();

  function ask(button) {
    const dialog = document.createElement("dialog");
    dialog.className = "dialog";
    const text = document.createElement("p");
    text.id = "question";
    text.textContent = button.dataset.confirm;
    dialog.setAttribute("aria-labelledby", "question");
    const row = document.createElement("div");
    row.className = "form-actions";
    const make = (label, className, act) => {
      const choice = document.createElement("button");
      choice.type = "button";
      choice.className = className;
      choice.textContent = label;
      choice.addEventListener("click", act);
      row.append(choice);
    };
    const danger = button.classList.contains("danger");
    make(button.dataset.confirmYes || button.textContent.trim(), danger ? "btn danger solid" : "btn primary", () => {
      dialog.close();
      agreed.add(button);
      button.click();
    });
    make(told("Go back"), "btn", () => dialog.close());
    dialog.append(text, row);
    dialog.addEventListener("close", () => {
      dialog.remove();
      button.focus();
    });
    document.body.append(dialog);
    dialog.showModal();
    row.lastChild.focus();
  }

  document.addEventListener(
    "click",
    (event) => {
      const button = event.target.closest?.("[data-confirm]");
      if (!button || agreed.delete(button)) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      ask(button);
    },
    true,
  );

  document.addEventListener("click", (event) => {
    const target = event.target.closest?.("[data-dialog], [data-close]");
    if (target?.dataset.dialog) {
      event.preventDefault();
      document.getElementById(target.dataset.dialog)?.showModal();
    } else if (target) target.closest("dialog")?.close();
    for (const menu of document.querySelectorAll("details[data-menu][open]")) {
      if (!menu.contains(event.target)) menu.open = false;
    }
  });

  // A caution that was read stays one line, for this person on this job ------------------------------

  const cautionKey = (box) => {
    const place = /^\/jobs\/\d+\//.exec(location.pathname)?.[0] || location.pathname;
    return `read ${box.dataset.caution} ${meta("person")} ${place}`;
  };
  function foldRead(root) {
    for (const box of root.querySelectorAll?.("details[data-caution][open]:not([data-asked])") || []) {
      box.dataset.asked = "";
      try {
        if (localStorage.getItem(cautionKey(box))) box.open = false;
      } catch {
        /* storage is off: it stays open */
      }
    }
  }
  document.addEventListener("toggle", (event) => {
    const box = event.target;
    if (!box.matches?.("details[data-caution]")) return;
    box.dataset.asked = "";
    try {
      if (box.open) localStorage.removeItem(cautionKey(box));
      else localStorage.setItem(cautionKey(box), "1");
    } catch {
      /* storage is off: it holds for this page */
    }
  }, true);
  document.addEventListener("htmx:load", (event) => foldRead(event.target));

  // A form that is on its way is not sent twice ------------------------------------------------------

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post") return;
    if (form.dataset.sent) return event.preventDefault();
    form.dataset.sent = "1";
    setTimeout(() => delete form.dataset.sent, 5000);
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  });

  // Keys of the grid ---------------------------------------------------------------------------------------

  function moveDown(control, step) {
    const cell = control.closest("td, th");
    const row = cell.closest("tr");
    const rows = [...row.closest("table").querySelectorAll("tbody tr")];
    for (let i = rows.indexOf(row) + step; rows[i]; i += step) {
      const other = rows[i].cells[cell.cellIndex];
      const next = other?.querySelector("input:not([type=hidden], :disabled), select:not(:disabled), textarea:not(:disabled)");
      if (next) {
        next.focus();
        if (next.select && next.type !== "checkbox" && next.type !== "radio") next.select();
        return true;
      }
    }
    return false;
  }

  document.addEventListener("keydown", (event) => {
    const control = event.target;
    if (event.key === "Escape") {
      for (const menu of document.querySelectorAll("details[data-menu][open]")) {
        menu.open = false;
        menu.querySelector("summary").focus();
      }
    }
    if (event.isComposing || event.ctrlKey || event.altKey || event.metaKey) return;
    if (!control.matches?.("table.grid :is(input, select, textarea)")) return;
    const plain = control.matches("input:not([type=radio])");
    if (event.key === "Escape" && control.matches("input:not([type=checkbox], [type=radio]), textarea")) {
      control.value = control.defaultValue;
      control.dispatchEvent(new Event("input", { bubbles: true }));
    } else if (plain && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      event.preventDefault();
      moveDown(control, event.key === "ArrowDown" ? 1 : -1);
    } else if (plain && event.key === "Enter") {
      event.preventDefault();
      if (!moveDown(control, event.shiftKey ? -1 : 1)) control.dispatchEvent(new Event("change", { bubbles: true }));
    }
  });

  foldRead(document);
  openDialogs(document);
  document.addEventListener("htmx:afterSettle", (event) => openDialogs(event.target.parentElement || document));
})();
