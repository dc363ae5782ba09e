// Keeps the board fresh: fetches its live part when the service says that there is something new, and every few
// seconds where it cannot say so. The place in the page, the focus and an open tooltip stay; nothing is fetched, and
// no stream is held, while the page is hidden.
"use strict";
(() => {
  const PAUSE_MS = 5000;
  // With a stream, so often all the same: how long ago things were is told in the page.
  const LISTENING_PAUSE_MS = 10000;
  // Between two answers at least; alarms are fetched sooner than readings.
  const ALARMS_GAP_MS = 1000;
  const LIMIT_MS = 20000;
  // A page that is looked at for a moment only takes no stream.
  const LISTEN_AFTER_MS = 1500;
  const live = document.getElementById("live");
  const lost = document.getElementById("lost");
  const said = document.getElementById("said");
  let timer = 0;
  let busy = false;
  let failures = 0;
  let shown = "";
  let etag = "";
  // The stream that is held, and the same once it has spoken.
  let held = null;
  let stream = null;
  let alarms = "";
  let fetched = Date.now();
  let due = Infinity;
  // There was news while an answer was on its way.
  let again = false;

  const gravity = () =>
    [...live.querySelectorAll(".counts a")].map((a) => a.textContent.trim().replace(/\s+/g, " ")).join(", ");

  // The first row in sight, known by its site, so that rows that move above it do not move what is read.
  function anchor() {
    for (const link of live.querySelectorAll("th.site a")) {
      const top = link.getBoundingClientRect().top;
      if (top >= 0 && top < innerHeight) return { id: link.id, top };
    }
    return null;
  }

  function replace(text) {
    if (text === shown) return;
    const before = gravity();
    const focused = live.contains(document.activeElement) ? document.activeElement.id : "";
    const kept = scrollY > 0 ? anchor() : null;
    live.innerHTML = text;
    shown = text;
    if (focused) {
      const again = document.getElementById(focused);
      if (again) again.focus({ preventScroll: true });
    }
    if (kept) {
      const again = document.getElementById(kept.id);
      if (again) scrollBy({ top: again.getBoundingClientRect().top - kept.top, behavior: "instant" });
    }
    const after = gravity();
    if (before !== after) said.textContent = "Standing alarms: " + after;
  }

  async function refresh() {
    if (busy || document.hidden) return;
    busy = true;
    clearTimeout(timer);
    try {
      const answer = await fetch(live.dataset.from, {
        headers: etag ? { Accept: "text/html", "If-None-Match": etag } : { Accept: "text/html" },
        signal: AbortSignal.timeout(LIMIT_MS),
      });
      // The session has ended: the page asked for anew leads to the sign-in.
      if (answer.status === 401) return location.reload();
      if (answer.redirected) return location.reload();
      if (answer.status !== 304) {
        if (!answer.ok) throw new Error("status " + answer.status);
        replace(await answer.text());
        etag = answer.headers.get("ETag") || "";
      }
      failures = 0;
      lost.hidden = true;
    } catch {
      failures += 1;
      // One failed try may be a restart; a second one is told.
      if (failures === 2) {
        lost.textContent = "This page has lost the service: what you see is old. It keeps trying.";
        lost.hidden = false;
      }
    } finally {
      busy = false;
      fetched = Date.now();
      const pause = stream && !failures ? LISTENING_PAUSE_MS : PAUSE_MS;
      wait(again ? ALARMS_GAP_MS : pause);
      again = false;
    }
  }

  function wait(time_ms) {
    clearTimeout(timer);
    due = Date.now() + Math.max(0, time_ms);
    timer = setTimeout(refresh, Math.max(0, time_ms));
  }

  function listen() {
    if (held || document.hidden || !window.EventSource) return;
    const source = new EventSource(live.dataset.events);
    source.addEventListener("changed", (event) => {
      stream = source;
      const version = JSON.parse(event.data);
      const since = Date.now() - fetched;
      const gap = version.alarms !== alarms && alarms ? ALARMS_GAP_MS : PAUSE_MS;
      alarms = version.alarms;
      if (busy) again = true;
      else if (Date.now() + gap - since < due) wait(gap - since);
    });
    source.addEventListener("error", () => {
      // Closed for good, or lost for now: either way asking at intervals goes on.
      if (source.readyState === EventSource.CLOSED) leave(source);
      else if (stream === source) stream = null;
      if (!busy && !document.hidden) wait(PAUSE_MS);
    });
    held = source;
  }

  function leave(source) {
    source.close();
    if (stream === source) stream = null;
    if (held === source) held = null;
  }

  // Up and down go from site to site while one of them has the focus.
  live.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const links = [...live.querySelectorAll("th.site a")];
    const next = links[links.indexOf(event.target) + step];
    if (!links.includes(event.target) || !next) return;
    event.preventDefault();
    next.focus();
  });

  document.addEventListener("visibilitychange", () => {
    clearTimeout(timer);
    if (document.hidden) {
      if (held) leave(held);
      return;
    }
    refresh();
    listen();
  });
  wait(PAUSE_MS);
  setTimeout(listen, LISTEN_AFTER_MS);
})();
