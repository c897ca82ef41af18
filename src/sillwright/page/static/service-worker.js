// Keeps visited pages, small pictures, styles and scripts, and shows them when the laptop does not answer. Tokens are
// cut out of a page before it is kept; uploads, events, forms and large photos are never kept.
"use strict";
const NAME = "sillwright-1";
const WITHOUT_TOKENS = [
  [/(name="form_token" value=")[^"]*/g, "$1"],
  [/(data-form=")[^"]*/g, "$1"],
  [/(\?form=)[^"]*/g, "$1"],
];
const isKept = (url) =>
  url.origin === self.location.origin &&
  !/\/(events|uploads|joined|large)(\/|$)/.test(url.pathname) && !url.pathname.startsWith("/join") &&
  // Sheets to drill by are never shown from before: they may be of an older plan, and cannot say so.
  !/^\/(jobs\/[^/]+\/plates|as-built\/[^/]+\/files)\/./.test(url.pathname);

const keep = async (request, answer) => {
  if (!answer.ok || answer.redirected || answer.type !== "basic") return;
  const headers = new Headers(answer.headers);
  headers.set("x-kept-at", String(Date.now()));
  let body = await answer.blob();
  if ((headers.get("content-type") || "").startsWith("text/html")) {
    let text = await body.text();
    for (const [token, without] of WITHOUT_TOKENS) text = text.replace(token, without);
    // A code to join by is a token too.
    text = text.replace(/<section class="invite"[\s\S]*?<\/section>/, "");
    body = new Blob([text], { type: headers.get("content-type") });
  }
  const store = await caches.open(NAME);
  await store.put(request, new Response(body, { status: 200, headers }));
};

// A kept page says at its head that it is one, and of when: its numbers may have changed since.
const told = async (kept) => {
  if (!(kept.headers.get("content-type") || "").startsWith("text/html")) return kept;
  const text = await kept.text();
  const when = new Date(Number(kept.headers.get("x-kept-at"))).toLocaleString();
  const words = (text.match(/data-kept="([^"]*)"/) || ["", "{when}"])[1].replace("{when}", when);
  const marked = text.replace(/(<p id="connection"[^>]*?) hidden>/, `$1>${words}`);
  return new Response(marked, { status: 200, headers: kept.headers });
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== NAME) await caches.delete(name);
    await self.clients.claim();
  })());
});
self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.method !== "GET" || !isKept(new URL(request.url))) return;
  event.respondWith((async () => {
    try {
      const answer = await fetch(request);
      event.waitUntil(keep(request, answer.clone()).catch(() => {}));
      return answer;
    } catch (fault) {
      const kept = await caches.match(request, { ignoreVary: true });
      if (kept) return told(kept);
      throw fault;
    }
  })());
});
