/* The service worker: styles and scripts from this device, pages from the network first.
 *
 * VERSION, SHELL, STATIC and OFFLINE stand above, put there by the server; another SHELL or program
 * is another version. Every page says for whom it was made (header Loombook-Person); pages are kept
 * by person, and all pages of anybody else are let go as soon as somebody else, or nobody, is
 * signed in. Photos are not kept here. A kept page that is shown without network carries the time it
 * was made in data-as-of, and data-as-of-why when there is a network, but our server does not answer or
 * says that it cannot now. Who signs out without a network leaves no page behind either. Our server marks its answers (header Loombook-About).
 */
"use strict";

const SHELL_CACHE = `shell-${VERSION}`;
const FACTS_CACHE = "facts";
const PERSON_KEY = "/person";
const KEPT = /^\/(board\/|jobs\/\d+\/(bay\/.*)?)$/;
const NOT_KEPT = /\/bay\/(changes|finish|fit\/\d+\/guide)\/$/;
const DOORS = /^\/(sign-in|sign-out|tablet|password)\//;
const LEAVE = "/sign-out/";
const NOBODY = "0";
const MARK = "Loombook-About";
const AGE = "Loombook-Kept";
const SLOW_MS = 4000;
const MOST_PAGES = 150;
const pagesOf = (person) => `pages-${person}`;

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(SHELL_CACHE);
      /* The last page is nobody's: it stays when somebody else signs in. */
      await Promise.all([...SHELL.map((url) => new Request(url)), new Request(OFFLINE, { credentials: "omit" })].map((one) => keepOurs(cache, one)));
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      const old = (await caches.keys()).filter((name) => name.startsWith("shell-") && name !== SHELL_CACHE);
      /* Kept pages name the files of their own version: they are fetched again. */
      if (old.length) old.push(...(await caches.keys()).filter((name) => name.startsWith("pages-")));
      await Promise.all(old.map((name) => caches.delete(name)));
      await self.clients.claim();
    })(),
  );
});

self.addEventListener("message", (event) => {
  if (event.data === "claim") event.waitUntil(self.clients.claim());
});

/** A sign-in page of somebody's wifi must not stand for one of our files from then on. */
function isFile(response) {
  return response.ok && !(response.headers.get("Content-Type") || "").startsWith("text/html");
}

async function keepOurs(cache, request) {
  const response = await fetch(request);
  if (!isFile(response) && !(response.ok && response.headers.get(MARK))) throw new Error(`No answer of our server: ${request.url}`);
  await cache.put(request, response);
}

// Who is signed in ----------------------------------------------------------------------------------

let known = null;

async function person() {
  if (known === null) {
    const facts = await caches.open(FACTS_CACHE);
    known = (await (await facts.match(PERSON_KEY))?.text()) || NOBODY;
  }
  return known;
}

/** Learn from an answer who is signed in. */
async function learn(response) {
  const now = response.headers.get("Loombook-Person");
  if (now !== null && now !== (await person())) await turnTo(now);
}

/** What belongs to anybody else goes. */
async function turnTo(now) {
  known = now;
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("pages-") && name !== pagesOf(now)).map((name) => caches.delete(name)));
  const facts = await caches.open(FACTS_CACHE);
  await facts.put(PERSON_KEY, new Response(now));
}

// Pages -----------------------------------------------------------------------------------------------

/** A part and a page may have one address: they are kept apart. */
function keyOf(request) {
  const url = new URL(request.url);
  url.hash = "";
  if (request.headers.get("HX-Request")) url.searchParams.set("__part", request.headers.get("HX-Target") || "1");
  return url.href;
}

async function keep(request, response) {
  const type = response.headers.get("Content-Type") || "";
  const whose = response.headers.get("Loombook-Person");
  if (response.status !== 200 || response.redirected || !type.startsWith("text/html")) return;
  if (!whose || whose === NOBODY || whose !== (await person())) return;
  const headers = new Headers(response.headers);
  headers.set(AGE, new Date().toISOString());
  headers.delete("Content-Encoding");
  headers.delete("Content-Length");
  const cache = await caches.open(pagesOf(whose));
  await cache.put(keyOf(request), new Response(await response.blob(), { status: 200, headers }));
  const keys = await cache.keys();
  await Promise.all(keys.slice(0, Math.max(0, keys.length - MOST_PAGES)).map((one) => cache.delete(one)));
}

async function fromNetwork(request, event) {
  const response = await fetch(request);
  if (response.type === "basic") {
    await learn(response);
    if (isKept(request)) event.waitUntil(keep(request, response.clone()).catch(() => {}));
  }
  return response;
}

function isKept(request) {
  const { pathname } = new URL(request.url);
  return request.method === "GET" && KEPT.test(pathname) && !NOT_KEPT.test(pathname);
}

/** Nobody of ours answers, or our server says that it cannot now. What is redirected is not known. */
function isAway(response) {
  if (response.type !== "basic") return false;
  const about = response.headers.get(MARK);
  return !about || about === "later";
}

async function kept(request, why = "") {
  const name = pagesOf(await person());
  if (!(await caches.has(name))) return null;
  const found = await (await caches.open(name)).match(keyOf(request));
  if (!found) return null;
  const at = found.headers.get(AGE);
  const headers = new Headers(found.headers);
  headers.set("Loombook-As-Of", at);
  const html = await found.text();
  return new Response(html.replace(/<html\b/, `<html data-as-of="${at}"${why && ` data-as-of-why="${why}"`}`), { status: 200, headers });
}

/** The last resort: which jobs this device keeps, or that sending needs the network. */
async function lastPage(request) {
  const found = await (await caches.open(SHELL_CACHE)).match(OFFLINE);
  if (!found) return Response.error();
  let html = await found.text();
  const leaves = request.method === "POST" && new URL(request.url).pathname === LEAVE;
  if (leaves) await turnTo(NOBODY);
  if (request.method !== "GET") html = html.replace(/<html\b/, `<html data-${leaves ? "left" : "posted"}`);
  const name = pagesOf(await person());
  const keys = (await caches.has(name)) ? await (await caches.open(name)).keys() : [];
  const numbers = [...new Set(keys.map((one) => /^\/jobs\/(\d+)\/bay\//.exec(new URL(one.url).pathname)?.[1]).filter(Boolean))];
  const links = numbers.map((number) => `<li><a class="btn block" href="/jobs/${number}/bay/steps/">J${number}</a></li>`);
  if (links.length) html = html.replace("<!--kept-->", links.join(""));
  const headers = { "Content-Type": "text/html; charset=utf-8" };
  return new Response(html, { status: 503, headers });
}

/** Network first; a network that is gone, or slower than a person waits, is no reason to show nothing. */
async function page(request, event) {
  const asked = fromNetwork(request, event);
  const navigates = request.mode === "navigate";
  const late = new Promise((done) => setTimeout(done, SLOW_MS, null));
  try {
    const first = isKept(request) ? await Promise.race([asked, late]) : await asked;
    if (first && !(isKept(request) && isAway(first))) return first;
    const held = await kept(request, first ? "server" : "");
    if (!held && first) return first;
    if (held) {
      event.waitUntil(asked.catch(() => {}));
      return held;
    }
    return await asked;
  } catch (error) {
    const held = isKept(request) ? await kept(request) : null;
    if (held) return held;
    if (navigates) return lastPage(request);
    throw error;
  }
}

// Styles, scripts, pictures ---------------------------------------------------------------------------

/** A name with a digest never changes its content; any other is asked for first. */
async function file(request) {
  const cache = await caches.open(SHELL_CACHE);
  const held = await cache.match(request.url);
  if (held && /\.[0-9a-f]{12}\./.test(request.url)) return held;
  try {
    const response = await fetch(request);
    if (isFile(response)) await cache.put(request.url, response.clone());
    else if (held) return held;
    return response;
  } catch (error) {
    if (held) return held;
    throw error;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "GET" && url.pathname.startsWith(STATIC)) event.respondWith(file(request));
  else if (request.mode === "navigate" || isKept(request)) event.respondWith(page(request, event));
  else if (DOORS.test(url.pathname)) event.respondWith(fromNetwork(request, event));
});
