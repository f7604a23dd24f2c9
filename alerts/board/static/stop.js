// The page works without this script. With it, what is pressed without a
// connection is kept on the phone and sent when there is one, in its order.
"use strict";
(() => {
  const key = "coilward " + location.pathname.split("/").slice(0, 3).join("/");
  const note = document.getElementById("kept");
  let sending = false, retry = 4000;
  const read = () => { try { return JSON.parse(localStorage.getItem(key)) || []; } catch { return []; } };
  const write = (list) => { try { list.length ? localStorage.setItem(key, JSON.stringify(list)) : localStorage.removeItem(key); return true; } catch { return false; } };
  const say = (text) => { note.textContent = text; note.hidden = !text; };
  const waits = () => {
    const n = read().length;
    say(n === 0 ? "" : n === 1 ? note.dataset.one : note.dataset.many.replace("#", n));
  };
  const show = (html) => {
    const page = new DOMParser().parseFromString(html, "text/html");
    for (const part of ["main", "footer"]) {
      const fresh = page.querySelector(part);
      if (fresh) document.querySelector(part).replaceWith(document.importNode(fresh, true));
    }
    timers();
  };
  const send = async () => {
    if (sending) return;
    sending = true;
    let last = "", refused = "";
    try {
      for (let list = read(); list.length; list = read()) {
        const e = list[0], body = new URLSearchParams(e.body);
        body.set("age", String(Math.max(0, Math.round((Date.now() - e.at) / 1000))));
        const answer = await fetch(e.url, { method: "POST", body, signal: AbortSignal.timeout(20000) });
        if (answer.status >= 500) throw new Error("server");
        const text = await answer.text();
        write(read().slice(1));
        retry = 4000;
        if (answer.ok) last = text;
        else refused = new DOMParser().parseFromString(text, "text/html").querySelector("main")?.innerText.trim() || note.dataset.refused;
      }
      say(refused);
      if (last) show(last);
    } catch {
      waits();
      setTimeout(send, retry);
      retry = Math.min(2 * retry, 60000);
    }
    sending = false;
  };
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post") return;
    const body = new URLSearchParams(new FormData(form, event.submitter)).toString();
    if (!write([...read(), { url: form.action, body, at: Date.now() }])) return; // no room to keep it: send it the plain way
    event.preventDefault();
    form.classList.add("waiting");
    send();
  });
  addEventListener("online", send);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });

  // Timers: seconds left when the page came, counted here.
  let ticking = 0;
  const timers = () => {
    clearInterval(ticking);
    const began = performance.now();
    const tick = () => {
      for (const out of document.querySelectorAll("[data-left]")) {
        const left = Math.round(Number(out.dataset.left) - ((performance.now() - began) / 1000) * Number(out.dataset.speed || 1));
        out.textContent = left > 0 ? note.dataset.timeLeft.replace("#", `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`) : note.dataset.timeOver;
      }
    };
    if (document.querySelector("[data-left]")) { tick(); ticking = setInterval(tick, 1000); }
  };
  timers();
  if (read().length) send();
})();
