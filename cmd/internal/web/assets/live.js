// Keeps the page fresh while somebody looks at it: one request at a time, every ten
// seconds, slower when the board does not answer, none while the page is hidden.
"use strict";
(() => {
  const period = 10000, slowest = 120000;
  let wait = period, timer = 0, busy = false, last = Date.now();
  const live = document.getElementById("live");

  const say = text => { if (live.textContent !== text) live.textContent = text; };

  const replace = fresh => {
    const open = new Set([...document.querySelectorAll("details[open]")].map(d => d.id));
    const before = document.querySelector("h1").textContent;
    const held = document.activeElement && document.activeElement.closest("main details");
    for (const part of ["header", "main"]) {
      const from = fresh.querySelector(part), to = document.querySelector(part);
      if (!from) throw new Error("not the page");
      for (const id of open) { const d = from.querySelector("#" + id); if (d) d.open = true; }
      if (from.innerHTML !== to.innerHTML) to.replaceChildren(...from.childNodes);
    }
    if (held && !document.contains(held)) {
      const d = document.getElementById(held.id);
      if (d) d.querySelector("summary").focus({preventScroll: true});
    }
    const now = document.querySelector("h1").textContent;
    document.title = fresh.title;
    say(now !== before ? now : "");
  };

  const refresh = async () => {
    if (busy || document.hidden) return;
    busy = true;
    const stop = new AbortController(), limit = setTimeout(() => stop.abort(), 30000);
    try {
      const answer = await fetch("/", {signal: stop.signal, cache: "no-store"});
      if (!answer.ok) throw new Error(answer.status);
      replace(new DOMParser().parseFromString(await answer.text(), "text/html"));
      wait = period;
      last = Date.now();
    } catch {
      wait = Math.min(wait * 2, slowest);
      say("The box does not answer. What you see is " + Math.round((Date.now() - last) / 60000) + " min old.");
    } finally {
      clearTimeout(limit);
      busy = false;
      plan();
    }
  };

  const plan = () => { clearTimeout(timer); if (!document.hidden) timer = setTimeout(refresh, wait); };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) clearTimeout(timer);
    else if (Date.now() - last > period) refresh();
    else plan();
  });
  plan();
})();
