// Witnessmark's page script: takes patches from the live stream, fetches the
// page's live part when more has changed, sounds alerts, and lets everything
// be done from the keyboard. Pages work without it; then nothing is live.
"use strict";
(() => {
  const body = document.body;
  const bench = body.dataset.bench || "";
  const live = document.getElementById("live");
  const $ = (id) => document.getElementById(id);

  // ---- words for who cannot see the drawing -------------------------------
  const say = (text) => { const p = $("say"); if (p) p.textContent = text; };
  const shout = (text) => { const p = $("shout"); if (p) p.textContent = text; };

  // ---- patches -------------------------------------------------------------
  let cause = Number(body.dataset.cause || 0);
  const other = () => new URLSearchParams(location.search).has("step");

  function bolt(id) {
    for (const g of document.querySelectorAll(".face .bolt")) if (g.dataset.id === id) return g;
    return null;
  }

  function drawBolt(m) {
    const g = bolt(m.id);
    if (!g) return;
    g.dataset.look = m.look;
    g.dataset.grade = m.grade;
    g.dataset.next = m.next ? "1" : "0";
    g.dataset.part = m.part ? "1" : "0";
    g.dataset.accepted = m.accepted ? "1" : "0";
    g.dataset.maybe = m.maybe ? "1" : "0";
    g.setAttribute("aria-label", m.say + (g.dataset.place ? ", " + g.dataset.place : ""));
    const t = g.querySelector(".figure");
    if (t) t.textContent = m.figure;
    const w = g.querySelector(".word");
    if (w) { w.textContent = m.word; w.setAttribute("y", m.figure ? w.dataset.under : w.dataset.alone); }
  }

  function drawReading(r) {
    const card = $("last");
    if (!card || r.reading < Number(card.dataset.reading || 0)) return;
    card.dataset.verdict = r.verdict;
    card.dataset.reading = r.reading;
    const set = (f, v) => { const e = card.querySelector(`[data-f="${f}"]`); if (e) e.textContent = v; };
    set("value", r.value); set("unit", r.unit); set("word", r.word); set("where", r.where);
    set("limits", r.limits ? "Limits " + r.limits : ""); set("evidence", r.evidence); set("sent", r.sent); set("by", r.by);
    const icon = card.querySelector(".vicon .bolt");
    if (icon && r.verdict !== "unplaced") {
      icon.dataset.look = r.verdict === "within" ? "witnessed" : r.verdict;
      icon.dataset.grade = r.verdict === "within" ? "placed" : "counted";
    } else if (!icon || r.verdict === "unplaced") refresh();
    const pin = card.querySelector(".gauge .pin");
    if (pin && r.pin) pin.setAttribute("transform", `translate(${r.pin} 0)`);
    else if (!!pin !== !!r.pin) refresh();
    say(`${r.where}: ${r.value} ${r.unit}. ${r.word}.`);
  }

  function apply(p) {
    if (p.cause <= cause) return; // the page is already beyond it
    cause = p.cause;
    const state = $("state");
    if (state) state.dataset.cause = cause;
    const same = state && p.step === state.dataset.step && !other();
    if (same) (p.fasteners || []).forEach(drawBolt);
    if (p.reading) drawReading(p.reading);
    if (p.next) {
      const n = $("next");
      if (n) {
        n.dataset.kind = p.next.kind;
        n.querySelector(".where").textContent = p.next.where;
        n.querySelector(".how").textContent = p.next.how;
        n.querySelector(".say").textContent = p.next.note;
      }
    }
    if (same && p.guide) {
      const g = $("guide");
      if (g) {
        const set = (f, t) => { const e = g.querySelector(`[data-g="${f}"]`); if (e) e.textContent = t; };
        set("value", p.guide.value); set("unit", p.guide.unit); set("note", p.guide.note); set("band", p.guide.band);
        const c = g.querySelector('[data-g="curve"]');
        if (c) c.setAttribute("d", p.guide.curve);
      }
    }
    if (same && p.count) {
      const c = $("count");
      if (c) c.textContent = p.count;
      const line = document.querySelector(`.steps a[data-step="${CSS.escape(p.step)}"] .count`);
      if (line && line.dataset.pass !== undefined) line.textContent = p.count + line.dataset.pass;
    }
    for (const a of p.alerts || []) {
      if (a.state === "raised") {
        loud.add(a.id);
        shout(`${a.name}: ${a.text} What to do: ${a.todo}`);
      } else loud.delete(a.id);
    }
    sound();
    if (p.reload) refresh();
  }

  // ---- fingers -------------------------------------------------------------
  // A button that is replaced between finger down and finger up loses the tap,
  // so the page waits with that; not for ever, as an "up" can go astray.
  let held = false, waiting = [];
  const free = () => { held = false; setTimeout(() => waiting.splice(0).forEach((f) => f())); };
  addEventListener("pointerdown", () => { held = true; }, { capture: true });
  for (const kind of ["pointerup", "pointercancel", "blur"]) addEventListener(kind, free, { capture: true });
  const letGo = () => new Promise((f) => { waiting.push(f); setTimeout(free, 2000); });

  // ---- the live part, fetched anew ----------------------------------------
  // What the stream brings while the live part is fetched may be later than
  // the fetched text: it is drawn at once, kept, and drawn again on top.
  let fetching = false, again = false, since = [];
  const take = (draw, news) => { if (fetching) since.push(() => draw(news)); draw(news); };

  async function refresh() {
    if (!live) return;
    if (fetching) { again = true; return; }
    fetching = true;
    try {
      do {
        again = false;
        since = [];
        const u = new URL(location.href);
        u.searchParams.set("fragment", "1");
        const r = await fetch(u, { headers: { "X-Fragment": "1" }, cache: "no-store" });
        if (r.status === 401) { location.reload(); return; } // the session has ended
        if (!r.ok) throw new Error(r.status);
        const html = await r.text();
        if (held) { await letGo(); again = true; } // it may be old by now
        place(html);
      } while (again);
    } catch (e) {
      lamp("off");
      setTimeout(refresh, 2000);
    } finally {
      fetching = false;
    }
  }

  function place(html) {
    const at = document.activeElement;
    const key = at && live.contains(at) ? focusKey(at) : null;
    const scan = at && "scan" in at.dataset ? at.value : ""; // half a scanned line must not be lost
    live.innerHTML = html;
    placed = Date.now();
    if (scan && $("scan-field")) $("scan-field").value = scan;
    lamp(lampState);
    const s = $("state");
    if (s) cause = Number(s.dataset.cause || 0);
    since.forEach((draw) => draw());
    if (key) { const e = live.querySelector(key); if (e) e.focus({ preventScroll: true }); }
    hear();
    showStep();
  }

  // Some figures are in no decision, such as how much has still to come from a
  // bench box: such a page says after how many seconds to ask for it anew.
  let placed = Date.now();
  setInterval(() => {
    const s = $("state"), every = s && Number(s.dataset.again || 0);
    if (every && !document.hidden && !fetching && Date.now() - placed >= every * 1000) refresh();
  }, 1000);

  // On a wide screen the list of steps scrolls by itself: keep the step that
  // is shown in sight. Elsewhere the figure would scroll away with it.
  const still = matchMedia("(min-width: 100rem) and (min-height: 40rem)");
  function showStep() {
    const a = document.querySelector(".steps a[aria-current]");
    if (a && bench && still.matches) a.scrollIntoView({ block: "nearest" });
  }

  function focusKey(e) {
    if (e.dataset.id) return `.bolt[data-id="${CSS.escape(e.dataset.id)}"]`;
    if (e.dataset.key) return `[data-key="${CSS.escape(e.dataset.key)}"]`;
    if (e.dataset.step) return `a[data-step="${CSS.escape(e.dataset.step)}"]`;
    return e.id ? "#" + CSS.escape(e.id) : null;
  }

  // ---- the stream ----------------------------------------------------------
  let lampState = "wait";
  function lamp(state) {
    lampState = state;
    const l = $("lamp");
    if (!l) return;
    l.dataset.state = state;
    l.lastElementChild.textContent = { on: "live", off: "not live: connecting again", wait: "connecting" }[state];
  }

  let source = null;
  function connect() {
    const q = new URLSearchParams({ boot: body.dataset.boot, after: String(cause) });
    if (bench) q.set("bench", bench);
    source = new EventSource("/live?" + q);
    source.addEventListener("open", () => lamp("on"));
    source.addEventListener("patch", (e) => take(apply, JSON.parse(e.data)));
    // The figure comes as soon as the reading is on disk, the marks with the
    // decision, a moment later.
    source.addEventListener("reading", (e) => { if (!other()) take(drawReading, JSON.parse(e.data)); });
    source.addEventListener("reset", () => refresh());
    source.addEventListener("error", () => {
      lamp("off");
      // The browser comes back by itself, except after an answer that is no
      // stream, such as a proxy's error page.
      if (source.readyState === EventSource.CLOSED) setTimeout(() => { refresh(); connect(); }, 2000);
    });
  }

  // ---- sound ---------------------------------------------------------------
  // Alerts that nobody has acknowledged sound until somebody does. Browsers
  // allow sound only after a press of a key or a finger.
  const loud = new Set();
  let audio = null, timer = 0;

  function hear() {
    loud.clear();
    for (const a of document.querySelectorAll('.alert[data-state="raised"]')) loud.add(a.dataset.alert);
    sound();
  }

  function awake() {
    if (!window.AudioContext) return;
    if (!audio) {
      audio = new AudioContext();
      audio.onstatechange = sound;
    }
    if (audio.state !== "running") audio.resume().then(sound, () => {});
  }

  function beep() {
    if (!audio || audio.state !== "running" || !loud.size) return;
    const fault = document.querySelector('.alert[data-state="raised"][data-tone="fault"]');
    const notes = fault ? [[880, 0], [587, .18], [880, .36], [587, .54]] : [[659, 0], [659, .25]];
    for (const [f, at] of notes) {
      const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime + at;
      o.type = "triangle"; o.frequency.value = f;
      g.gain.setValueAtTime(0, t);
      g.gain.linearRampToValueAtTime(.5, t + .01);
      g.gain.setValueAtTime(.5, t + .13);
      g.gain.linearRampToValueAtTime(0, t + .16);
      o.connect(g).connect(audio.destination);
      o.start(t); o.stop(t + .17);
    }
  }

  function sound() {
    const b = $("sound");
    const on = audio && audio.state === "running";
    if (b) b.hidden = !!on;
    body.dataset.sound = on ? "on" : "off";
    body.dataset.loud = String(loud.size);
    if (loud.size && on && !timer) { beep(); timer = setInterval(beep, 2000); }
    if ((!loud.size || !on) && timer) { clearInterval(timer); timer = 0; }
  }

  for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, awake, { capture: true });

  // ---- requests ------------------------------------------------------------
  const dialog = $("dialog");
  // A bench screen is everybody's: no secret stays in a field behind it.
  // "close" comes a moment after the closing; by then it may be open for the next.
  if (dialog) dialog.addEventListener("close", () => { if (!dialog.open && dialog.querySelector('input[name="secret"]')) dialog.replaceChildren(); });

  function refused(box, d) {
    box.replaceChildren();
    const line = (text, strong) => { const p = document.createElement("p"); const e = strong ? document.createElement("b") : p; e.textContent = text; if (strong) p.append(e); box.append(p); };
    line("Not done: " + d.error, true);
    if (d.items && d.items.length) {
      const ul = document.createElement("ul");
      for (const i of d.items) { const li = document.createElement("li"); li.textContent = i; ul.append(li); }
      box.append(ul);
    }
    if (d.todo) line("What to do: " + d.todo);
    if (box.id === "refused") {
      const b = document.createElement("button");
      b.type = "button"; b.textContent = "Close"; b.addEventListener("click", () => { box.hidden = true; });
      box.append(b);
    }
    box.hidden = false;
    box.scrollIntoView({ block: "nearest" });
  }

  // The same request once more, with the secret of the person who does it. What
  // is done stays in sight; a second try says what was wrong with the first.
  function prove(action, data, d) {
    const make = (name, props, ...inner) => { const e = Object.assign(document.createElement(name), props); e.append(...inner); return e; };
    const was = dialog.open ? dialog.querySelector("form") : null;
    const again = was && "proves" in was.dataset;
    const what = was && dialog.querySelector("h1"), deed = was && was.querySelector("button.main, button.grave");
    const f = make("form", { className: "form", method: "post", action });
    f.dataset.send = f.dataset.proves = "";
    const kept = data instanceof FormData ? [...data] : Object.entries(data);
    for (const [name, value] of kept) if (name !== "by" && name !== "secret") f.append(make("input", { type: "hidden", name, value }));
    f.append(make("input", { type: "hidden", name: "by", value: d.prove }), make("h1", {}, what ? what.textContent : "Who does this?"));
    if (!again) f.append(make("p", {}, make("b", {}, d.error)));
    const secret = make("input", { type: "password", name: "secret", required: true, maxLength: 200, autocomplete: "off" });
    f.append(make("label", {}, `Passphrase or secret badge code of ${d.prove_name}`, secret));
    const box = make("div", { className: "note fault", hidden: true });
    box.dataset.refused = "";
    const cancel = make("button", { type: "button" }, "Cancel");
    cancel.addEventListener("click", () => dialog.close());
    f.append(box, make("div", { className: "acts" }, make("button", { className: deed ? deed.className : "main" }, deed ? deed.textContent : "Do it"), cancel));
    dialog.replaceChildren(f);
    if (again) refused(box, d);
    if (!dialog.open) dialog.showModal();
    secret.focus();
  }

  async function send(action, data, box) {
    try {
      const r = await fetch(action, { method: "POST", body: new URLSearchParams(data), headers: { Accept: "application/json" } });
      const d = await r.json();
      if (r.ok) { $("refused").hidden = true; return true; }
      if (d.code === "prove" && live) prove(action, data, d);
      else refused(box, d);
    } catch (e) {
      refused(box, { error: "the service did not answer.", todo: "Look whether it was recorded before you do it again." });
    }
    return false;
  }

  addEventListener("submit", async (e) => {
    const f = e.target;
    if (!live || !("send" in f.dataset)) return;
    const inDialog = dialog.contains(f);
    // What ends or begins a job shows on another page: let it go the plain way.
    if (!inDialog && !f.querySelector('[name="alert"], [name="question"]') && !("inline" in f.dataset)) return;
    if (/\/(release|abandon)$/.test(f.getAttribute("action"))) {
      e.preventDefault();
      const ok = await send(f.getAttribute("action"), new FormData(f), f.querySelector("[data-refused]") || $("refused"));
      if (ok) location.href = "/jobs/" + encodeURIComponent(new FormData(f).get("job"));
      return;
    }
    e.preventDefault();
    const data = new FormData(f, e.submitter);
    const buttons = f.querySelectorAll("button");
    buttons.forEach((b) => { b.disabled = true; });
    const ok = await send(f.getAttribute("action"), data, f.querySelector("[data-refused]") || $("refused"));
    buttons.forEach((b) => { b.disabled = false; });
    if (ok && inDialog) dialog.close();
    if (ok) refresh();
  });

  async function open(url) {
    const u = new URL(url, location.href);
    u.searchParams.set("fragment", "1");
    try {
      const r = await fetch(u, { cache: "no-store", headers: { Accept: "text/html, application/json" } });
      if (!r.ok) { refused($("refused"), await r.json()); return; }
      dialog.innerHTML = await r.text();
    } catch (e) { location.href = url; return; }
    keysLabel();
    if (!dialog.open) dialog.showModal();
    const first = dialog.querySelector("[checked], select, input:not([type=hidden]), button");
    if (first) first.focus();
  }

  addEventListener("click", (e) => {
    const a = e.target.closest("a, button");
    if (a && a.id === "sound") { awake(); return; }
    if (a && a.id === "keyswitch") { setKeys(!keysOn()); return; }
    if (a && "close" in a.dataset && dialog.open) { e.preventDefault(); dialog.close(); return; }
    if (a && "ask" in a.dataset && live && !e.ctrlKey && !e.metaKey && !e.shiftKey) { e.preventDefault(); open(a.href); return; }
    const g = e.target.closest(".face .bolt[role=button]");
    if (g) point(g);
  });

  function point(g) {
    const s = $("state");
    if (!s || !bench) return;
    g.focus();
    send("/do/point", { bench, job: s.dataset.job, step: s.dataset.step, fastener: g.dataset.id }, $("refused"));
  }

  // ---- keys ----------------------------------------------------------------
  const keysOn = () => { try { return localStorage.getItem("wm-keys") !== "off"; } catch (e) { return true; } };
  function setKeys(on) { try { localStorage.setItem("wm-keys", on ? "on" : "off"); } catch (e) { /* kept for this page only */ } keysLabel(); }
  function keysLabel() { const b = $("keyswitch"); if (b) b.textContent = keysOn() ? b.dataset.on : b.dataset.off; body.dataset.keys = keysOn() ? "on" : "off"; }

  // A scanner types as a keyboard does, only faster than any finger: a line of
  // keys with no more than a moment between them, and Enter. A key waits for
  // that moment before it does what it is for, so that a scan presses none.
  const moment = 40, leastScan = 4;
  let typed = "", typedAt = 0, soon = 0;
  function scanKey(e, act) {
    const now = e.timeStamp;
    if (now - typedAt > moment) typed = "";
    typedAt = now;
    clearTimeout(soon);
    if (e.key === "Enter" && typed.length >= leastScan) {
      e.preventDefault();
      const line = typed;
      typed = "";
      scanned(line);
      return;
    }
    if (e.key.length === 1) typed += e.key;
    if (typed.length > 1) return;
    soon = setTimeout(act, moment);
  }

  async function scanned(line) {
    if (!bench) return;
    if (await send("/who", { bench, badge: line }, $("refused"))) location.reload();
  }

  addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || dialog.open) return;
    // For a moment after it closed, the focus is still in the dialog that nobody
    // sees: a key then is the page's and no letter of that field.
    if (dialog.contains(document.activeElement)) document.activeElement.blur();
    const at = document.activeElement;
    if (at && at.matches("input, select, textarea")) return;
    if (bench && (e.key.length === 1 && e.key !== " " || e.key === "Enter" && typed.length >= leastScan)) { scanKey(e, () => shortcut(e)); return; }
    shortcut(e);
  });

  function shortcut(e) {
    const at = document.activeElement;
    const bolts = [...document.querySelectorAll(".face .bolt[role=button]")];
    if (at && at.matches(".face .bolt")) {
      if (e.key === "Enter" || e.key === " ") { e.preventDefault(); point(at); return; }
      const d = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[e.key];
      if (d) { e.preventDefault(); bolts[(bolts.indexOf(at) + d + bolts.length) % bolts.length].focus(); return; }
    }
    if (!keysOn() && e.key !== "?") return;
    const key = e.key.toLowerCase();
    if (key === "s") { awake(); return; }
    if ((e.key === "ArrowRight" || e.key === "ArrowLeft") && bolts.length && (!at || at === body || at.id === "main")) {
      e.preventDefault();
      (document.querySelector('.face .bolt[data-next="1"]') || bolts[0]).focus();
      return;
    }
    for (const b of document.querySelectorAll("[data-key]")) {
      if (b.dataset.key === key && b.offsetParent !== null) { e.preventDefault(); b.click(); return; }
    }
  }

  keysLabel();
  hear();
  showStep();
  if (window.EventSource && (bench || body.dataset.live)) { connect(); setTimeout(awake, 0); }
})();
