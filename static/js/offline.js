/* Working without a network: the service worker, the pages kept ahead of need, and saying so.
 *
 * <meta name="offline" content="/sw.js" data-kept="/kept-jobs/">  on pages of somebody signed in
 * <html data-as-of="…">   put there by the service worker: this page was kept at that time
 *
 * Without a secure context (plain HTTP under another name than localhost) browsers have no service
 * worker: the page that is open still keeps every entry and sends it later, but does not open anew.
 */
(() => {
  "use strict";

  const { outbox } = Loombook;
  const meta = document.querySelector('meta[name="offline"]');
  const me = document.querySelector('meta[name="person"]')?.content || "";
  const { asOf, asOfWhy } = document.documentElement.dataset;
  const KEEP_EVERY_MS = 120000;
  const AGAIN_MS = 600000;
  const STATE = "/kept-state";
  const KEPT = told("As of");
  /* Nobody is at work: the time after which an idle browser is signed out goes on. */
  const BY_ITSELF = { "Loombook-By-Itself": "1" };

  if ("serviceWorker" in navigator && meta) {
    navigator.serviceWorker.register(meta.content).catch(() => {});
    /* A page that was on its way while the worker took over the others is not among them. */
    navigator.serviceWorker.ready.then(({ active }) => navigator.serviceWorker.controller || active.postMessage("claim"));
  }

  // A kept page says so -------------------------------------------------------------------------------

  const { clock } = Loombook;

  function sayKept() {
    const bay = document.querySelector(".sheet");
    const time = clock(asOf);
    const why = asOfWhy ? told("%(time)s, the server does not answer.", { time }) : told("%(time)s, no network.", { time });
    const later = asOfWhy
      ? told("What you enter is kept on this device and sent later. Findings and sums are as of %(time)s too: they are worked out when the server is back.", { time })
      : told("What you enter is kept on this device and sent later. Findings and sums are as of %(time)s too: they are worked out when the network is back.", { time });
    Loombook.say(`${KEPT} ${why}${bay ? ` ${later}` : ""}`, "caution");
  }

  /** The rows that were saved after this page was kept. */
  async function putRowsIn() {
    await outbox.ready;
    const rows = await outbox.rowsSince(Date.parse(asOf));
    if (rows.length) Loombook.cells.refresh(rows.map((row) => row.html).join(""));
  }

  /** The network is back and everything is sent: the page as it is now, when nothing is being done on it. */
  async function freshen() {
    if (outbox.state().sending || Loombook.waiting()) return;
    const answer = await fetch(meta.dataset.kept, { headers: { "HX-Request": "true", ...BY_ITSELF } }).catch(() => null);
    if (!answer?.ok || Loombook.aboutOf(answer) !== "entry") return;
    if (!Loombook.cells.busy() && !document.querySelector("dialog[open]")) return location.reload();
    const link = document.createElement("a");
    link.href = location.href;
    link.textContent = told("Load it as it is now");
    for (const line of document.querySelectorAll("#messages .message")) if (line.textContent.startsWith(KEPT)) line.remove();
    Loombook.say(asOfWhy ? told("The server is back. This page is as of %(time)s.", { time: clock(asOf) }) : told("The network is back. This page is as of %(time)s.", { time: clock(asOf) }), "caution", link);
    return undefined;
  }

  if (asOf) {
    sayKept();
    putRowsIn();
    window.addEventListener("online", () => setTimeout(freshen, 1500));
    document.addEventListener("outbox:answer", () => setTimeout(freshen, 1500));
    setInterval(() => document.hidden || freshen(), 15000);
  }

  // Pages kept ahead of need ----------------------------------------------------------------------------

  /** Fetch the pages of my jobs; the service worker keeps what passes through it. */
  async function keepMine() {
    if (!me || !meta || asOf || document.hidden || !navigator.serviceWorker?.controller || navigator.onLine === false) return;
    const cache = await caches.open(`pages-${me}`);
    const state = await cache.match(STATE);
    if (state && Date.now() - (Number(localStorage.getItem("kept-at")) || 0) < KEEP_EVERY_MS) return;
    const answer = await fetch(meta.dataset.kept, { headers: { "HX-Request": "true", ...BY_ITSELF } });
    if (!answer.ok || answer.headers.get("Loombook-Person") !== me) return;
    const { jobs } = await answer.json();
    const known = new Map(Object.entries((await state?.json()) || {}));
    for (const job of jobs) {
      if (known.get(String(job.number)) === job.newest) continue;
      for (const url of job.pages) {
        const page = await fetch(url, { headers: BY_ITSELF });
        if (!page.ok || page.redirected || Loombook.aboutOf(page) !== "entry") return;
        await page.text();
      }
      known.set(String(job.number), job.newest);
      await cache.put(STATE, new Response(JSON.stringify(Object.fromEntries(known))));
    }
    if (!jobs.length) await cache.put(STATE, new Response("{}"));
    localStorage.setItem("kept-at", String(Date.now()));
  }

  /** One page of this device at a time. */
  const keepSoon = () => navigator.locks.request("keeping", { ifAvailable: true }, (lock) => lock && keepMine()).catch(() => {});
  if (navigator.serviceWorker) {
    navigator.serviceWorker.ready.then(() => setTimeout(keepSoon, 1500));
    navigator.serviceWorker.addEventListener("controllerchange", () => setTimeout(keepSoon, 500));
    setInterval(keepSoon, AGAIN_MS);
  }

  /** Photos are taken without a network too: their list alone needs it. */
  document.addEventListener("htmx:sendError", (event) => {
    const button = event.detail.elt;
    if (!button.matches?.("a.photo-button") || !window.loombookPhotos) return;
    event.stopImmediatePropagation();
    const url = new URL(button.href);
    const dialog = document.createElement("dialog");
    dialog.className = "dialog";
    dialog.setAttribute("aria-label", button.getAttribute("aria-label"));
    const strip = document.createElement("div");
    strip.className = "photo-strip";
    strip.dataset.photos = url.searchParams.get("subject");
    strip.dataset.photosUrl = url.pathname;
    const words = document.createElement("p");
    words.textContent = told("No network: photos that are on the server are not shown. Those you take now are kept on this device.");
    const list = document.createElement("ul");
    list.className = "photos";
    const add = document.createElement("li");
    add.className = "photo-add";
    const label = document.createElement("label");
    label.className = "btn";
    const input = document.createElement("input");
    Object.assign(input, { type: "file", accept: "image/*", multiple: true });
    input.setAttribute("capture", "environment");
    input.dataset.photoInput = "";
    const close = document.createElement("button");
    Object.assign(close, { type: "button", className: "btn", textContent: told("Close") });
    close.addEventListener("click", () => dialog.close());
    label.append(input, told("Take a photo"));
    add.append(label);
    list.append(add);
    strip.append(list);
    dialog.append(words, strip, close);
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
  }, true);

  // What needs the network says so -----------------------------------------------------------------------

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post") return;
    /* The service worker lets the kept pages go. */
    if ("leaves" in form.dataset && navigator.serviceWorker?.controller) return;
    const early = /\/bay\/move\/\w+\/$/.test(form.action) && Loombook.waiting();
    if (!early && navigator.onLine !== false) return;
    event.preventDefault();
    delete form.dataset.sent;
    if (early) {
      outbox.wake(true);
      Loombook.say(told("Not everything is on the server yet: the strip at the foot says what waits. Do this when it says “All saved”."), "error");
    } else Loombook.say(told("This needs the network, and there is none now. What you typed stays on this page: send it again when the network is back."), "error");
  });
})();
