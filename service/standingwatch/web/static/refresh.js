// Keeps the board fresh: fetches its live part every few seconds and puts it in place of the old one.
// The place in the page, the focus and an open tooltip stay; nothing is fetched while the page is hidden.
"use strict";
(() => {
  const PAUSE_MS = 5000;
  const LIMIT_MS = 20000;
  const live = document.getElementById("live");
  const lost = document.getElementById("lost");
  const said = document.getElementById("said");
  let timer = 0;
  let busy = false;
  let failures = 0;
  let shown = "";

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
        headers: { Accept: "text/html" },
        signal: AbortSignal.timeout(LIMIT_MS),
      });
      if (!answer.ok) throw new Error("status " + answer.status);
      replace(await answer.text());
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
      timer = setTimeout(refresh, PAUSE_MS);
    }
  }

  document.addEventListener("visibilitychange", () => {
    clearTimeout(timer);
    if (!document.hidden) refresh();
  });
  timer = setTimeout(refresh, PAUSE_MS);
})();
