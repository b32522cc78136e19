/* What was entered and is not on the server yet.
 *
 * An entry (cells of a row, a form, a photo) is first kept in this device's database with its key,
 * then sent; what the server confirmed is taken out. Entries of one job go in the order in which
 * they were made. An entry belongs to the person who made it and is sent by that person's pages
 * alone. What the server does not take stays, with its reason, until the person deals with it.
 *
 * Only an answer about the entry itself sets it aside. When nobody answers, somebody else does, or
 * the server cannot now, everything waits with growing pauses. An entry on which our program fails
 * waits too, and what else waits of its row with it; other rows go on.
 *
 * Stores: entries (waiting or set aside), drafts (typed, not yet an entry), rows (as last answered,
 * for a page that is shown without network).
 *
 * outbox:answer   on document: {entry, status, text, refresh} after each answer, in every tab
 * outbox:changed  on document: something was added, sent or set aside
 *
 * Without a database (private windows) entries live as long as the page, and leaving it asks first.
 */
(() => {
  "use strict";

  const RETRY_S = [2, 4, 8, 15, 30, 60];
  const LONGEST_WAIT_S = 600;
  const TIMEOUT_MS = 20000;
  const PHOTO_TIMEOUT_MS = 120000;
  const MOST_FAULTS = 3;
  const ROW_DAYS = 3;
  const me = document.querySelector('meta[name="person"]')?.content || "";
  const strict = { durability: "strict" };

  /** Entries of this person as this tab knows them, oldest first; names of others with how many. */
  let entries = [];
  let drafts = [];
  let others = 0;
  /** Entries on their way into this device's store. */
  let coming = 0;
  const sending = new Set();
  let signedOut = false;
  /** Why nothing can be sent: "network" nobody answers, "gateway" a proxy says that our server does
   *  not, "stranger" somebody else answers, "later" our server says so; empty when it can. */
  let down = "";
  /** Keys of entries sent again with a fresh token. */
  const renewed = new Set();
  let notBefore = 0;
  /** Until when a lane is left alone on which the server failed. */
  const rests = new Map();
  let triedAt = 0;
  let heardAt = performance.timeOrigin;
  let tries = 0;
  let timer = 0;
  let draining = false;
  let again = false;

  const uuid = () => [...crypto.getRandomValues(new Uint8Array(16))].map((x) => x.toString(16).padStart(2, "0")).join("");

  /** The name of this device in keys: its own saves in a row are never a clash. */
  function deviceName() {
    try {
      const known = localStorage.getItem("device");
      if (known) return known;
      const made = uuid().slice(0, 12);
      localStorage.setItem("device", made);
      return made;
    } catch {
      return uuid().slice(0, 12);
    }
  }
  const device = deviceName();
  const makeKey = () => `${device}_${uuid()}`;
  const jobOf = (url) => /^\/jobs\/(\d+)\//.exec(url)?.[1] || "";

  // What a page that is left at this moment would lose: the database's own write is cut off then ------

  const LATE = "late:";
  const late = {
    put(name, value) {
      try {
        localStorage.setItem(LATE + name, JSON.stringify(value));
      } catch {
        /* storage is off or full: the database alone counts */
      }
    },
    drop(name) {
      try {
        localStorage.removeItem(LATE + name);
      } catch {
        /* as above */
      }
    },
  };

  /** Take over what was cut off; what was sent meanwhile is known to the server by its key. */
  async function recover() {
    const names = Object.keys(localStorage).filter((name) => name.startsWith(LATE));
    const known = new Set((await db.getAll("entries")).map((entry) => entry.key));
    for (const name of names) {
      const value = JSON.parse(localStorage.getItem(name));
      const entry = name.startsWith(`${LATE}entry:`);
      if (!entry) await change("drafts", (store) => store.put(value));
      else if (!known.has(value.key)) await change("entries", (store) => store.add(value));
      localStorage.removeItem(name);
    }
  }

  /** An earlier program gave entries up when the server failed on them: they wait. */
  async function takeBack() {
    for (const entry of await db.getAll("entries")) {
      if (entry.state === "failed") await change("entries", (store) => store.put({ ...entry, state: "waiting", said: "", faults: 0 }));
    }
  }

  // The store -------------------------------------------------------------------------------------

  let db = null;
  const memory = { next: 1 };

  async function open() {
    try {
      db = await idb.openDB("loombook", 1, {
        upgrade(base) {
          base.createObjectStore("entries", { keyPath: "id", autoIncrement: true });
          base.createObjectStore("drafts", { keyPath: ["person", "url"] });
          base.createObjectStore("rows", { keyPath: ["person", "url"] });
        },
        terminated: () => (db = null),
      });
      navigator.storage?.persist?.().catch(() => {});
      await recover().catch(() => {});
      await takeBack().catch(() => {});
    } catch {
      db = null;
    }
    await reload();
  }

  async function change(store, act) {
    if (!db) return undefined;
    const tx = db.transaction(store, "readwrite", strict);
    const result = await act(tx.store);
    await tx.done;
    return result;
  }

  async function reload() {
    if (db) {
      const [all, typed] = await Promise.all([db.getAll("entries"), db.getAll("drafts")]);
      entries = all.filter((one) => one.person === me);
      drafts = typed.filter((one) => one.person === me);
      others = all.length - entries.length;
    }
    announce("outbox:changed");
  }

  function announce(name, detail = {}) {
    document.dispatchEvent(new CustomEvent(name, { detail }));
  }

  const channel = "BroadcastChannel" in window ? new BroadcastChannel("loombook") : null;
  channel?.addEventListener("message", async ({ data }) => {
    if (data.person !== me) return;
    await reload();
    if (data.answer) answered(data.answer);
  });

  function answered(detail) {
    const { entry, status, text } = detail;
    if (entry.kind === "photo" && status < 300) announce("loombook:photo-sent", { fields: entry.fields, html: text });
    announce("outbox:answer", detail);
  }

  const tell = (answer = null) => channel?.postMessage({ person: me, answer });

  /** Keep an entry, then send it: {kind, url, fields, what, page} and for a photo or recording `blob`. */
  async function add(entry) {
    Object.assign(entry, { person: me, job: jobOf(entry.url), at: new Date().toISOString(), state: "waiting" });
    entry.key ||= makeKey();
    entry.faults = 0;
    const name = `entry:${entry.key}`;
    if (!entry.blob) late.put(name, entry);
    coming += 1;
    announce("outbox:changed");
    try {
      if (db) entry.id = await change("entries", (store) => store.add(entry));
      else entry.id = memory.next++;
    } finally {
      coming -= 1;
    }
    if (!entries.some((one) => one.id === entry.id)) entries.push(entry);
    late.drop(name);
    announce("outbox:changed");
    tell();
    if (!down || Date.now() - triedAt >= RETRY_S[0] * 1000) drain();
    return entry;
  }

  async function drop(id) {
    entries = entries.filter((one) => one.id !== id);
    await change("entries", (store) => store.delete(id));
    announce("outbox:changed");
    tell();
  }

  async function put(entry) {
    entries = entries.map((one) => (one.id === entry.id ? entry : one));
    await change("entries", (store) => store.put(entry));
  }

  // Sending -----------------------------------------------------------------------------------------

  /** Fields that go along when the page shows the row; set by cells.js. */
  let companions = () => ({});

  async function post(entry) {
    const headers = {
      "HX-Request": "true",
      "HX-Current-URL": location.origin + entry.page,
      "X-CSRFToken": Loombook.csrfToken(),
      "Loombook-Person": entry.person,
    };
    let body;
    if (entry.kind === "photo") {
      headers["Loombook-Photo"] = "1";
      body = new FormData();
      for (const name of ["subject", "caption", "taken_at"]) if (entry.fields[name]) body.append(name, entry.fields[name]);
      body.append("photo", entry.blob, "photo.jpg");
      body.append("key", entry.key);
    } else if (entry.kind === "recording") {
      headers["Loombook-Recording"] = "1";
      body = new FormData();
      for (const [name, list] of Object.entries(entry.fields)) list.forEach((value) => body.append(name, value));
      body.append("recording", entry.blob, "recording.wav");
      body.set("key", entry.key);
    } else {
      body = new URLSearchParams({ key: entry.key });
      const fields = { ...companions(entry), ...entry.fields };
      for (const [name, list] of Object.entries(fields)) list.forEach((value) => body.append(name, value));
    }
    const wait = entry.blob ? PHOTO_TIMEOUT_MS : TIMEOUT_MS;
    try {
      const signal = AbortSignal.timeout ? AbortSignal.timeout(wait) : undefined;
      const response = await fetch(entry.url, { method: "POST", body, headers, credentials: "same-origin", signal });
      const text = await response.text();
      const { status, headers: said } = response;
      const plain = (said.get("Content-Type") || "").startsWith("text/plain");
      const about = Loombook.aboutOf(response);
      return { about, status, text, plain, waitS: waitOf(said.get("Retry-After")), refresh: said.get("HX-Refresh") === "true" };
    } catch {
      return { about: "away", status: 0, text: "" };
    }
  }

  /** Seconds of a Retry-After, which is a number or a date (RFC 9110, 10.2.3). */
  function waitOf(said) {
    const seconds = /^\d+$/.test(said || "") ? Number(said) : (Date.parse(said) - Date.now()) / 1000;
    return Math.min(Math.max(seconds || 0, 0), LONGEST_WAIT_S);
  }

  /** Why the server did not take it, in its own words where it says so. */
  function reason({ status, text, plain }) {
    if (plain && text.trim()) return text.trim();
    const page = new DOMParser().parseFromString(`<table>${text}</table>`, "text/html");
    const said = page.querySelector("#said, [role=alert], .error, .message.caution");
    if (said && said.textContent.trim()) return said.textContent.trim().replace(/\s+/g, " ");
    if (status === 404) return told("What this belongs to is no longer there.");
    if (status === 413) return told("This is too large for the server.");
    if (status !== 403) return told("The server does not accept this.");
    return told("Your role or the stage of this job does not allow this.");
  }

  /** Entries that keep their order among each other: those of a row, or of a list. */
  const lane = (entry) => (entry.blob ? entry.key : entry.url);

  /** The oldest entry that may go; lanes on which the server failed come after all others. */
  function nextOf(held) {
    const heads = new Map();
    for (const entry of entries) if (entry.state === "waiting" && !heads.has(lane(entry))) heads.set(lane(entry), entry);
    const open = [...heads.values()].filter((entry) => !held.has(lane(entry)) && Date.now() >= (rests.get(lane(entry)) || 0));
    const least = Math.min(...open.map((entry) => entry.faults || 0));
    return open.find((entry) => (entry.faults || 0) === least);
  }

  function isDown({ about, status, waitS }) {
    if (about === "later" || status === 429) down = "later";
    else if (!status) down = "network";
    else down = status >= 502 && status <= 504 ? "gateway" : "stranger";
    if (waitS) notBefore = Date.now() + waitS * 1000;
  }

  /** What becomes of an entry by its answer: "next" the next one may go, "hold" others than those of
   *  its lane may, "stop" none may now. */
  async function settle(entry, answer) {
    const { about, status } = answer;
    if (about === "away" || about === "later") {
      isDown(answer);
      return "stop";
    }
    heardAt = Date.now();
    down = "";
    signedOut = about === "signed-out";
    if (signedOut) return "stop";
    if (about === "token" && !renewed.has(entry.key)) {
      renewed.add(entry.key);
      return "next";
    }
    if (about === "fault") {
      entry.faults = (entry.faults || 0) + 1;
      rests.set(lane(entry), Date.now() + pauseMs(entry.faults - 1));
      await put(entry);
      tell();
      return "hold";
    }
    tries = 0;
    if (status < 300 || (status === 422 && entry.kind === "cells")) await drop(entry.id);
    else {
      entry.state = { 409: "clash", 403: "closed", 404: "gone" }[status] || "refused";
      entry.said = entry.state === "clash" ? told("Somebody else wrote there too: choose in its row.") : reason(answer);
      await put(entry);
    }
    const said = entry.said || (status === 422 ? reason(answer) : "");
    if (status === 422 && entry.kind === "cells") await draft({ ...entry, refused: said });
    const { blob, ...plain } = entry;
    const detail = { entry: plain, status, text: answer.text, refresh: answer.refresh, said };
    answered(detail);
    announce("outbox:changed");
    tell(detail);
    return "next";
  }

  /** Send everything that waits, in order; stop when nobody answers, or the server fails on all. */
  async function pass() {
    await reload();
    const held = new Set();
    let faults = 0;
    while (faults < MOST_FAULTS) {
      const entry = nextOf(held);
      if (!entry) break;
      sending.add(entry.id);
      announce("outbox:changed");
      triedAt = Date.now();
      const answer = await post(entry);
      sending.delete(entry.id);
      if (db && !(await db.getKey("entries", entry.id))) {
        await reload();
        continue;
      }
      const then = await settle(entry, answer);
      if (then === "stop") break;
      if (then === "hold") held.add(lane(entry));
      faults = then === "hold" ? faults + 1 : 0;
    }
  }

  async function drain() {
    if (!me) return;
    clearTimeout(timer);
    if (draining) {
      again = true;
      return;
    }
    draining = true;
    do {
      again = false;
      if (navigator.onLine === false) down = "network";
      else if (Date.now() < notBefore) break;
      else if (navigator.locks) await navigator.locks.request(`outbox-${me}`, pass);
      else await pass();
    } while (again && !down && !signedOut);
    draining = false;
    announce("outbox:changed");
    const waiting = entries.filter((one) => one.state === "waiting");
    if (waiting.length) {
      const rested = Math.min(...waiting.map((entry) => rests.get(lane(entry)) || 0));
      timer = setTimeout(drain, Math.max(pauseMs(tries), notBefore - Date.now(), rested - Date.now()));
      tries += 1;
    }
  }

  /** Longer each time, and not the same on all tablets of a shop. */
  const pauseMs = (turn) => RETRY_S[Math.min(turn, RETRY_S.length - 1)] * 1000 * (0.75 + Math.random() / 2);

  /** Our server has just answered something: if it was out of reach, send now. */
  function heard() {
    heardAt = Date.now();
    if (down && down !== "later") wake();
  }

  /** The network is back, or may be: try now. A person who asks need not wait for what the server asked. */
  function wake(asked = false) {
    tries = 0;
    if (asked) {
      notBefore = 0;
      rests.clear();
    }
    if (Date.now() >= notBefore) down = "";
    drain();
  }

  async function retry(id) {
    const entry = entries.find((one) => one.id === id);
    if (!entry || entry.state === "waiting") return;
    entry.state = "waiting";
    entry.faults = 0;
    rests.delete(lane(entry));
    await put(entry);
    announce("outbox:changed");
    wake();
  }

  // Typed and not yet an entry; rows as answered ------------------------------------------------------

  /** Keep what is typed in a row: {url, page, what, fields, refused}; without fields it is let go. */
  async function draft({ url, page, what, fields, refused }) {
    const kept = Object.fromEntries(Object.entries(fields).filter(([name]) => name !== "version"));
    const base = fields.version;
    drafts = drafts.filter((one) => one.url !== url);
    if (!Object.keys(kept).length) {
      await change("drafts", (store) => store.delete([me, url]));
    } else {
      const made = { person: me, url, page, what, job: jobOf(url), fields: kept, version: base, at: new Date().toISOString() };
      if (refused) made.refused = refused;
      drafts.push(made);
      late.put(`draft:${url}`, made);
      await change("drafts", (store) => store.put(made));
      late.drop(`draft:${url}`);
    }
    announce("outbox:changed");
  }

  async function keepRow(url, html) {
    await change("rows", (store) => store.put({ person: me, url, html, at: Date.now() }));
  }

  async function rowsSince(moment) {
    if (!db) return [];
    const all = await db.getAll("rows");
    const old = all.filter((one) => one.person !== me || one.at < Date.now() - ROW_DAYS * 864e5);
    if (old.length) await change("rows", (store) => Promise.all(old.map((one) => store.delete([one.person, one.url]))));
    return all.filter((one) => one.person === me && one.at > moment);
  }

  Loombook.outbox = {
    device,
    makeKey,
    add,
    drop,
    retry,
    draft,
    keepRow,
    rowsSince,
    wake,
    heard,
    ready: open(),
    along: (made) => (companions = made),
    kept: () => Boolean(db),
    entries: () => entries,
    drafts: () => drafts,
    others: () => others,
    state: () => ({ down, signedOut, sending: sending.size, coming, draining, heardAt }),
  };

  window.addEventListener("online", () => wake());
  window.addEventListener("offline", () => {
    down = "network";
    announce("outbox:changed");
  });
  window.addEventListener("focus", () => signedOut && wake());
  document.addEventListener("visibilitychange", () => !document.hidden && wake());
  window.addEventListener("beforeunload", (event) => {
    if (!db && entries.length) event.preventDefault();
  });
  Loombook.outbox.ready.then(drain);
})();
