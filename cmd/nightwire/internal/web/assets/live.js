// Keeps a page live and its charts readable. Every page works without it.
"use strict";
(() => {
  const $ = (q, in_ = document) => in_.querySelector(q);
  const old = $("#old");
  let fresh = Date.now(); // when this page's content was last known to be current
  let linked = true, stale = false; // stale: it may have changed since

  // ---- how old the page is, said large while the link is down, or while what is being written holds it back
  const age = () => {
    if (!old) return;
    const s = Math.round((Date.now() - fresh) / 1000), d = old.dataset, late = !linked || (stale && s > 60);
    const span = s < 90 ? d.s.replace("{s}", s) : s < 5400 ? d.min.replace("{min}", Math.round(s / 60)) : d.h.replace("{h}", Math.round(s / 3600));
    const text = (linked ? d.held : d.text).replace("{span}", span);
    old.hidden = !late;
    document.body.classList.toggle("old", late);
    if (late && old.textContent !== text) old.textContent = text;
  };
  const lose = () => { linked = false; stale = true; age(); };

  // ---- fetching this page again and putting its content in place
  const busy = () => {
    const a = document.activeElement;
    return dragging || (a && a.closest("main") && /^(INPUT|SELECT|TEXTAREA)$/.test(a.tagName)) || $("main [data-typed]");
  };
  const get = async (url) => {
    const res = await fetch(url, { headers: { Accept: "text/html" }, cache: "no-store" });
    if (res.redirected && new URL(res.url).pathname === "/login") location.assign(res.url);
    if (!res.ok) throw new Error(res.status);
    return new DOMParser().parseFromString(await res.text(), "text/html");
  };
  let waiting = false;
  const refresh = async () => {
    stale = true;
    if (waiting || busy()) return age();
    waiting = true;
    try {
      const doc = await get(location.href);
      if (busy()) return;
      const open = [...document.querySelectorAll("details[open][id]")].map((d) => d.id);
      const focus = document.activeElement && document.activeElement.id;
      $("main").replaceChildren(...$("main", doc).childNodes);
      open.forEach((id) => { const d = document.getElementById(id); if (d) d.open = true; });
      if (focus && document.getElementById(focus)) document.getElementById(focus).focus({ preventScroll: true });
      fresh = Date.now();
      linked = true;
      stale = false;
      charts();
    } catch (e) {
      lose();
    } finally {
      waiting = false;
      age();
    }
  };
  document.addEventListener("input", (e) => e.target.closest("form").setAttribute("data-typed", ""));
  document.addEventListener("focusout", () => stale && setTimeout(() => stale && refresh(), 0));

  // ---- the live link
  const live = () => {
    let heard = Date.now();
    const es = new EventSource("/live");
    const up = () => { heard = Date.now(); linked = true; if (stale) refresh(); else fresh = heard; age(); };
    es.addEventListener("beat", up);
    es.addEventListener("change", () => { stale = true; up(); });
    es.onerror = lose;
    const watch = setInterval(() => {
      if (Date.now() - heard > 50000) lose();
      if (es.readyState === EventSource.CLOSED || Date.now() - heard > 90000) { es.close(); clearInterval(watch); setTimeout(live, 5000); }
      age();
    }, 5000);
  };

  // ---- charts: reading a value, moving and zooming
  let dragging = false;
  // A moment as the page writes it, in the farm's own time; where that is not told or not known, in the phone's or UTC.
  const when = (t) => {
    const o = { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    const write = (zone, name) => {
      const p = {};
      new Intl.DateTimeFormat(document.documentElement.lang, { ...o, timeZone: zone }).formatToParts(t).forEach((x) => { p[x.type] = x.value; });
      return `${p.weekday} ${p.day} ${p.month} ${p.hour}:${p.minute}${name}`;
    };
    try { return write(document.body.dataset.zone, ""); } catch (e) { return write("UTC", " UTC"); }
  };
  const chart = (fig) => {
    const from = +fig.dataset.from, to = +fig.dataset.to, rows = JSON.parse(fig.dataset.rows), svg = $("svg.plot", fig), out = $("output", fig);
    let at = rows.length - 1;
    const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "cursor"); line.setAttribute("y1", 18); line.setAttribute("y2", 216);
    const read = (i) => {
      if (!rows.length) return;
      at = Math.max(0, Math.min(rows.length - 1, i));
      const [s, lo, mid, hi] = rows[at], x = (100 * s) / (to - from) + "%";
      line.setAttribute("x1", x); line.setAttribute("x2", x); svg.append(line);
      out.textContent = fig.dataset.value.replace("{at}", when((from + s) * 1000)).replace("{v}", mid).replace("{low}", lo).replace("{high}", hi);
    };
    const nearest = (x) => {
      const box = svg.getBoundingClientRect(), s = ((x - box.left) / box.width) * (to - from);
      let best = 0;
      rows.forEach((r, i) => { if (Math.abs(r[0] - s) < Math.abs(rows[best][0] - s)) best = i; });
      read(best);
    };
    const go = async (a, b) => {
      const url = new URL(location.href);
      ["view", "done"].forEach((k) => url.searchParams.delete(k));
      url.searchParams.set("from", Math.round(a)); url.searchParams.set("to", Math.round(b));
      try {
        const doc = await get(url), had = fig.contains(document.activeElement);
        document.querySelectorAll("section.chart").forEach((f) => { const n = doc.getElementById(f.id); if (n) f.replaceWith(n); });
        history.replaceState(null, "", url);
        charts();
        if (had) document.getElementById(fig.id).focus({ preventScroll: true });
      } catch (e) { svg.style.transform = ""; lose(); }
    };
    const span = to - from, zoom = (k, mid = (from + to) / 2) => go(mid - (mid - from) * k, mid + (to - mid) * k);
    fig.addEventListener("keydown", (e) => {
      if (e.target !== fig || e.ctrlKey || e.metaKey || e.altKey) return;
      const act = { ArrowLeft: () => read(at - 1), ArrowRight: () => read(at + 1), Home: () => read(0), End: () => read(rows.length - 1),
        PageUp: () => go(from - span / 2, to - span / 2), PageDown: () => go(from + span / 2, to + span / 2), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2) }[e.key];
      if (act) { e.preventDefault(); act(); }
    });
    // One finger or the mouse moves, two fingers zoom. The picture follows at once; the new one is fetched at the end.
    const down = new Map();
    let start = null, here = null;
    const mark = () => {
      const xs = [...down.values()];
      return { mid: xs.reduce((a, b) => a + b, 0) / xs.length, wide: xs.length > 1 ? Math.abs(xs[0] - xs[1]) : 0 };
    };
    // What the fingers did: k times as wide about the picture's middle, then t pixels to the right, so that what was
    // between them still is.
    const did = () => {
      const box = svg.parentNode.getBoundingClientRect(), mid = box.left + box.width / 2;
      const k = start.wide > 20 && here.wide > 20 ? here.wide / start.wide : 1;
      return { k, t: here.mid - mid - k * (start.mid - mid), width: box.width };
    };
    svg.addEventListener("pointerdown", (e) => { if (!dragging) { down.set(e.pointerId, e.clientX); start = here = mark(); } });
    svg.addEventListener("pointermove", (e) => {
      if (!down.has(e.pointerId)) { if (e.pointerType === "mouse") nearest(e.clientX); return; }
      down.set(e.pointerId, e.clientX);
      here = mark();
      if (!dragging && Math.abs(here.mid - start.mid) < 8 && Math.abs(here.wide - start.wide) < 8) return;
      if (!dragging) { dragging = true; svg.setPointerCapture(e.pointerId); }
      const { k, t } = did();
      svg.style.transform = `translateX(${t}px) scaleX(${k})`;
    });
    const end = (e) => {
      if (!down.has(e.pointerId)) return;
      if (!dragging) {
        if (e.type === "pointerup" && down.size === 1) nearest(e.clientX);
        return void down.delete(e.pointerId);
      }
      const { k, t, width } = did(); // it ends with the first finger that is lifted
      down.clear();
      dragging = false;
      const mid = (from + to) / 2 - (t / k / width) * span;
      if (e.type === "pointercancel") svg.style.transform = ""; else go(mid - span / 2 / k, mid + span / 2 / k);
    };
    ["pointerup", "pointercancel"].forEach((t) => svg.addEventListener(t, end));
  };
  const charts = () => document.querySelectorAll("section.chart[data-rows]").forEach(chart);

  // ---- start
  charts();
  if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/worker.js").catch(() => {});
  if (document.body.dataset.live) {
    live();
    addEventListener("pageshow", (e) => e.persisted && refresh());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && Date.now() - fresh > 60000 && refresh());
  }
  document.querySelectorAll("button.print").forEach((b) => { b.hidden = false; b.addEventListener("click", () => print()); });
  const reached = $("#reached");
  if (reached && "caches" in window) caches.match("/reached").then((r) => r && r.text()).then((t) => {
    if (t) reached.textContent = reached.dataset.text.replace("{at}", when(+t));
  });
})();
