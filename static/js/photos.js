/* Photos: taken or chosen, shrunk here, sent, shown.
 *
 * [data-photos="channel:7"][data-photos-url]   a strip of thumbs; in it
 * input[type=file][data-photo-input]           a button that takes or chooses photos
 *
 * window.loombookPhotos.send(blob, fields)     sends one photo once. fields: url, subject, key, and
 *     caption, taken_at where known. Resolves with the strip's HTML. Rejects with an Error whose
 *     `kind` is "refused" (said by the server, sending again is no use), "signed-out" or "unsent"
 *     (no answer: send again with the same key).
 * loombook:photo-unsent   on document, when a photo could not be sent; detail {blob, fields}. Whoever
 *     keeps it for later calls preventDefault() and sends it again with loombookPhotos.send.
 *     Nobody does: it is tried again from this page.
 * loombook:photo-sent     on document, when a photo is on the server; detail {fields, html}.
 */
(() => {
  "use strict";

  if (window.loombookPhotos) return;
  const LONG_SIDE = 1920;
  const QUALITY = 0.85;
  const TIMEOUT_MS = 120000;
  const RETRY_S = [3, 6, 12, 30, 60];
  /** key -> {item, blob, fields, tries, timer, kept} */
  const waiting = new Map();

  function makeKey() {
    if (crypto.randomUUID) return crypto.randomUUID();
    return [...crypto.getRandomValues(new Uint8Array(16))].map((x) => x.toString(16).padStart(2, "0")).join("");
  }

  /** The picture upright, at most LONG_SIDE long, as JPEG without anything but its pixels. */
  async function shrink(file) {
    const bitmap = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, LONG_SIDE / Math.max(bitmap.width, bitmap.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(bitmap.width * scale));
    canvas.height = Math.max(1, Math.round(bitmap.height * scale));
    const context = canvas.getContext("2d");
    context.fillStyle = "#fff";
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.imageSmoothingQuality = "high";
    context.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    bitmap.close();
    const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
    if (!blob) throw new Error(told("The picture could not be made smaller."));
    return blob;
  }

  function failure(kind, text) {
    return Object.assign(new Error(text), { kind });
  }

  /** XMLHttpRequest, because fetch does not tell how much of an upload has gone out. */
  function send(blob, fields, progress) {
    return new Promise((resolve, reject) => {
      const body = new FormData();
      for (const name of ["subject", "key", "caption", "taken_at"]) if (fields[name]) body.append(name, fields[name]);
      body.append("photo", blob, blob.name || "photo.jpg");
      const request = new XMLHttpRequest();
      request.open("POST", fields.url);
      request.timeout = TIMEOUT_MS;
      const headers = { "X-CSRFToken": Loombook.csrfToken(), "HX-Request": "true", "Loombook-Photo": "1", ...Loombook.person?.() };
      for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
      request.upload.onprogress = (event) => event.lengthComputable && progress?.(event.loaded / event.total);
      request.onload = () => {
        const { status } = request;
        const about = Loombook.aboutXhr(request);
        if (about === "signed-out") reject(failure("signed-out", told("You are signed out. The photo waits here: sign in again in another tab.")));
        else if (about !== "entry") reject(failure("unsent", told("Not sent yet.")));
        else if (status >= 200 && status < 300) {
          document.dispatchEvent(new CustomEvent("loombook:photo-sent", { detail: { fields, html: request.responseText } }));
          resolve(request.responseText);
        } else if (status === 413) reject(failure("refused", told("This picture is too large to send. Take it with a smaller size.")));
        else {
          const plain = (request.getResponseHeader("Content-Type") || "").startsWith("text/plain");
          reject(failure("refused", (plain && request.responseText) || told("The server refused this photo. Reload the page, then try again.")));
        }
      };
      request.onerror = request.ontimeout = () => reject(failure("unsent", told("Not sent yet.")));
      request.send(body);
    });
  }

  window.loombookPhotos = { send, shrink, makeKey };

  // The strip -----------------------------------------------------------------------------------

  const strips = (subject) => [...document.querySelectorAll("[data-photos]")].filter((s) => s.dataset.photos === subject);

  function say(strip, text) {
    const line = strip.querySelector("[data-photo-status]");
    if (line) line.textContent = text;
  }

  /** What the server has of this subject, in every strip of it on the page. */
  document.addEventListener("loombook:photo-sent", (event) => {
    const { fields, html } = event.detail;
    waiting.get(fields.key)?.item.remove();
    waiting.delete(fields.key);
    if (!waiting.size) watch.disconnect();
    const fresh = new DOMParser().parseFromString(html, "text/html");
    for (const strip of strips(fields.subject)) {
      const list = strip.querySelector(".photos");
      list.querySelectorAll("[data-photo]").forEach((one) => one.remove());
      list.prepend(...[...fresh.querySelectorAll("[data-photo]")].map((one) => document.importNode(one, true)));
      const said = fresh.querySelector("[data-photo-status]")?.textContent.trim();
      say(strip, said || told("The photo is kept."));
      if (said) Loombook.say(said, "warning");
    }
    const count = fresh.querySelectorAll("[data-photo]").length;
    for (const line of document.querySelectorAll(`[data-photo-count="${CSS.escape(fields.subject)}"]`)) {
      line.textContent = count;
    }
  });

  function show(entry, text, share = null) {
    entry.words.textContent = text;
    entry.bar.hidden = share === null;
    if (share !== null) entry.bar.value = share;
  }

  function makeItem(blob) {
    const item = document.createElement("li");
    item.className = "photo-waiting";
    const picture = document.createElement("img");
    picture.alt = told("Photo on its way");
    picture.src = URL.createObjectURL(blob);
    picture.addEventListener("load", () => URL.revokeObjectURL(picture.src), { once: true });
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.setAttribute("aria-label", told("Sending the photo"));
    const words = document.createElement("span");
    item.append(picture, bar, words);
    return { item, bar, words };
  }

  function button(entry, label, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "btn small-text";
    made.textContent = label;
    made.addEventListener("click", act);
    entry.item.append(made);
    return made;
  }

  /** Kept on this device first; sent from there, also from another page. */
  function handOver(entry) {
    entry.kept = true;
    show(entry, told("Kept on this device, on its way"));
    const { key } = entry.fields;
    Loombook.outbox.add({ kind: "photo", url: entry.fields.url, key, fields: entry.fields, blob: entry.blob, page: location.pathname + location.search, what: told("Photo") });
  }

  document.addEventListener("outbox:answer", ({ detail }) => {
    const held = detail.entry.kind === "photo" && detail.status >= 300 && waiting.get(detail.entry.key);
    if (held) refused(held, detail.said);
  });

  /** Photos that wait on this device, from an earlier visit to the page. */
  Loombook.outbox?.ready.then(() => {
    for (const { kind, key, fields, blob } of Loombook.outbox.entries()) {
      if (kind !== "photo" || waiting.has(key)) continue;
      const entry = { ...makeItem(blob), blob, fields, tries: 0, kept: true };
      waiting.set(key, entry);
      show(entry, told("Kept on this device, not on the server yet"));
      watch.observe(document.body, { childList: true, subtree: true });
      place(entry);
    }
  });

  async function transmit(entry) {
    clearTimeout(entry.timer);
    if (Loombook.outbox?.kept()) return handOver(entry);
    entry.item.querySelectorAll("button").forEach((one) => one.remove());
    entry.busy = true;
    show(entry, told("Sending"), 0);
    try {
      await send(entry.blob, entry.fields, (share) => show(entry, told("Sending"), share));
    } catch (error) {
      entry.busy = false;
      if (error.kind === "refused") refused(entry, error.message);
      else later(entry, error);
    }
  }

  function refused(entry, text) {
    entry.over = true;
    entry.item.classList.add("refused");
    show(entry, text);
    entry.item.setAttribute("role", "alert");
    button(entry, told("Try again"), () => {
      entry.over = false;
      entry.item.classList.remove("refused");
      transmit(entry);
    });
    button(entry, told("Discard"), () => {
      waiting.delete(entry.fields.key);
      entry.item.remove();
    });
  }

  function later(entry, error) {
    const event = new CustomEvent("loombook:photo-unsent", { cancelable: true, detail: { blob: entry.blob, fields: entry.fields } });
    if (!document.dispatchEvent(event)) {
      entry.kept = true;
      return show(entry, told("Waits on this tablet until the network is back."));
    }
    const wait = RETRY_S[Math.min(entry.tries, RETRY_S.length - 1)];
    entry.tries += 1;
    show(entry, told("%(error)s Will try again by itself; keep this page open.", { error: error.message }));
    button(entry, told("Try now"), () => transmit(entry));
    entry.timer = setTimeout(() => transmit(entry), wait * 1000);
    return undefined;
  }

  async function take(input) {
    const strip = input.closest("[data-photos]");
    const files = [...input.files];
    input.value = "";
    for (const file of files) {
      const key = makeKey();
      let blob = file;
      try {
        blob = await shrink(file);
      } catch {
        /* This browser cannot read it: the server may, or says what to do. */
      }
      const { photos: subject, photosUrl: url } = strip.dataset;
      const fields = { url, subject, key, taken_at: new Date(file.lastModified || Date.now()).toISOString() };
      const entry = { ...makeItem(blob), blob, fields, tries: 0 };
      waiting.set(key, entry);
      watch.observe(document.body, { childList: true, subtree: true });
      place(entry);
      transmit(entry);
    }
  }

  /** A row that was swapped has lost the photos still on their way: put them where they belong. */
  function place(entry) {
    const [strip] = strips(entry.fields.subject);
    const list = strip?.querySelector(".photos");
    if (!list || entry.item.parentElement === list) return;
    list.insertBefore(entry.item, list.querySelector(".photo-add"));
  }

  document.addEventListener("change", (event) => {
    if (event.target.matches?.("[data-photo-input]") && event.target.files.length) take(event.target);
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("form[data-keep] a.photo");
    if (link) link.target = "_blank";
  });
  const watch = new MutationObserver(() => waiting.forEach(place));
  window.addEventListener("online", () => {
    for (const entry of waiting.values()) if (!entry.busy && !entry.kept && !entry.over) transmit(entry);
  });
  window.addEventListener("beforeunload", (event) => {
    if ([...waiting.values()].some((entry) => !entry.kept && !entry.over)) event.preventDefault();
  });
})();
