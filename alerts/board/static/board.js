// The page is complete without this script. It does two things: it puts the
// parts the server sends again in the place of the old ones, and it reads the
// strips under a crosshair. All text comes from the server; the browser's
// clock is never read.
"use strict";

(() => {
  const body = document.body, lost = document.getElementById("lost"), since = document.getElementById("lost-since");

  // --- Live -------------------------------------------------------------
  const silence = 20000; // ms without an event after which the stream is taken for dead
  let source = null, heard = 0, pressed = false, retry = 1000;
  const waiting = new Map(); // parts that came while the reader was busy in them

  const busy = (part) => {
    if (pressed) return true;
    const field = document.activeElement; // somebody types or chooses
    if (field && part.contains(field) && field.matches("input, select, textarea")) return true;
    const selection = getSelection();
    return Boolean(selection && !selection.isCollapsed && part.contains(selection.anchorNode));
  };

  // Somebody at the keyboard stays where they were when a part is put in the place of
  // another: on what has the same id, or leads to the same place and is the same of
  // several, or on the part itself where that is gone.
  const reachable = "a[href], button, summary, [tabindex]";
  const leadsTo = (e) => e.tagName + " " + (e.getAttribute("href") ?? [e.formAction, e.name, e.textContent].join(" "));
  const placeOf = (e, part) => {
    if (e.id) return (fresh) => fresh.querySelector("#" + CSS.escape(e.id));
    const like = (p) => [...p.querySelectorAll(reachable)].filter((x) => leadsTo(x) === leadsTo(e));
    const n = like(part).indexOf(e);
    return (fresh) => like(fresh)[n];
  };

  const put = (id, html) => {
    const old = document.getElementById(id);
    if (!old || !old.hasAttribute("data-part")) return;
    if (busy(old)) { waiting.set(id, html); return; }
    const box = document.createElement("template");
    box.innerHTML = html;
    const fresh = box.content.firstElementChild;
    if (!fresh) return;
    const focused = old.contains(document.activeElement) ? placeOf(document.activeElement, old) : null;
    const folds = [...old.querySelectorAll("details[id]")].map((d) => [d.id, d.open]);
    old.replaceWith(fresh);
    for (const [d, open] of folds) document.getElementById(d)?.toggleAttribute("open", open);
    if (focused) {
      const place = focused(fresh) ?? fresh;
      if (place === fresh) fresh.tabIndex = -1;
      place.focus({ preventScroll: true });
    }
    if (id === "strips") crosshair.renew();
  };

  const flush = () => {
    const now = [...waiting];
    waiting.clear();
    for (const [id, html] of now) put(id, html);
  };
  addEventListener("pointerdown", () => { pressed = true; }, true);
  for (const end of ["pointerup", "pointercancel"]) {
    addEventListener(end, () => { setTimeout(() => { pressed = false; flush(); }, 50); }, true);
  }
  document.addEventListener("focusout", () => { setTimeout(() => { if (!pressed) flush(); }, 50); });
  document.addEventListener("selectionchange", () => { if (!pressed && waiting.size) flush(); });

  const alive = () => {
    heard = performance.now();
    retry = 1000;
    lost.hidden = true;
  };

  const drop = () => {
    if (source) source.close();
    source = null;
    if (lost.hidden) {
      since.textContent = document.querySelector("#clock .now")?.textContent ?? "a while ago";
      lost.hidden = false;
    }
  };

  const connect = () => {
    if (source || document.hidden || !body.dataset.live) return;
    source = new EventSource(body.dataset.live);
    heard = performance.now();
    source.addEventListener("hello", (e) => {
      alive();
      if (JSON.parse(e.data).asset !== body.dataset.asset) location.reload();
    });
    source.addEventListener("part", (e) => { alive(); const p = JSON.parse(e.data); put(p.id, p.html); });
    source.addEventListener("beat", alive);
    source.addEventListener("gone", () => location.reload());
    source.addEventListener("error", () => {
      drop();
      setTimeout(connect, retry);
      retry = Math.min(retry * 2, 30000);
    });
  };

  // A hidden page gives its connection back: browsers allow only a few a host.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { if (source) source.close(); source = null; } else connect();
  });
  addEventListener("pagehide", () => { if (source) source.close(); source = null; });
  addEventListener("pageshow", connect);
  setInterval(() => {
    if (source && performance.now() - heard > silence) { drop(); connect(); }
  }, 5000);

  // --- Crosshair ---------------------------------------------------------
  const crosshair = (() => {
    let data = null, column = -1, idle = ""; // −1: no crosshair, the newest values stand
    const strips = () => document.getElementById("strips");
    const load = () => {
      const text = document.getElementById("cross-data")?.textContent;
      data = text ? JSON.parse(text) : null;
      idle = document.getElementById("under")?.textContent ?? "";
    };
    const show = () => {
      const root = strips(), axis = document.getElementById("axis"), under = document.getElementById("under");
      if (!root || !data || !axis) return;
      const on = column >= 0, last = data.times.length - 1;
      root.classList.toggle("crossing", on);
      const x = `${((column + 0.5) / data.times.length) * 100}%`;
      if (on) for (const line of root.querySelectorAll("line.cross")) { line.setAttribute("x1", x); line.setAttribute("x2", x); }
      const said = [];
      for (const out of root.querySelectorAll("[data-line]")) {
        const line = data.lines[Number(out.dataset.line)];
        if (!on) { out.textContent = out.dataset.newest; continue; }
        const value = line.values[column];
        out.textContent = value === null || value === undefined ? "no value" : `${String(value).replace("-", "−")} ${line.unit}`;
        said.push(`${line.name} ${out.textContent}`);
      }
      axis.setAttribute("aria-valuenow", String(on ? column : last));
      axis.setAttribute("aria-valuetext", on ? `${data.times[column]}: ${said.join(", ")}` : "now");
      if (on) under.textContent = `At ${data.times[column]}.`;
      else under.textContent = idle;
    };
    const at = (event, box) => {
      const edge = box.getBoundingClientRect();
      const share = (event.clientX - edge.left) / edge.width;
      column = Math.max(0, Math.min(data.times.length - 1, Math.floor(share * data.times.length)));
      show();
    };
    const over = (event) => {
      const box = event.target.closest?.("#strips .plot, #strips .axis");
      if (!data) return;
      if (box) at(event, box);
      else if (column >= 0 && event.pointerType === "mouse" && document.activeElement?.id !== "axis") { column = -1; show(); }
    };
    document.addEventListener("pointermove", over);
    document.addEventListener("pointerdown", over);
    document.addEventListener("keydown", (event) => {
      if (event.target.id !== "axis" || !data) return;
      const last = data.times.length - 1, step = event.shiftKey ? 20 : 1, here = column < 0 ? last : column;
      const to = { ArrowLeft: here - step, ArrowDown: here - step, ArrowRight: here + step, ArrowUp: here + step,
        PageDown: here - 60, PageUp: here + 60, Home: 0, End: last }[event.key];
      if (event.key === "Escape") column = -1;
      else if (to === undefined) return;
      else column = Math.max(0, Math.min(last, to));
      event.preventDefault();
      show();
    });
    return { renew: () => { load(); show(); } };
  })();

  crosshair.renew();
  connect();
})();
