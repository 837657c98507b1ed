// A laboratory's certificate: what is wrong is said beside its field without
// leaving the page, so that nothing typed or chosen is lost, and the file goes
// to PUT /papers/{hash} once the certificate is entered. The page works without
// it, but for the file.
"use strict";
(() => {
  const form = document.getElementById("certificate"), box = document.getElementById("certificate-wrong");
  const points = document.getElementById("points"), more = document.getElementById("more-points"), button = document.getElementById("enter");
  const chosen = document.getElementById("f-file");
  let entered = ""; // address of the tool, once the certificate is in the journal

  more.addEventListener("click", (e) => {
    e.preventDefault();
    for (let i = 0; i < 4 && points.children.length < 60; i++) {
      const row = points.lastElementChild.cloneNode(true), n = points.children.length + 1;
      row.setAttribute("aria-label", `Point ${n}`);
      row.querySelector("b").textContent = n;
      for (const f of row.querySelectorAll("input")) { f.value = ""; f.removeAttribute("aria-invalid"); }
      for (const f of row.querySelectorAll("select")) f.selectedIndex = 0;
      for (const w of row.querySelectorAll(".wrong")) { w.textContent = ""; w.hidden = true; }
      points.append(row);
    }
    more.hidden = points.children.length >= 60;
    points.children[points.children.length - (more.hidden ? 1 : 4)].querySelector("input").focus();
  });
  // Enter in a field enters the certificate; the first button of the form would be "More points".
  form.addEventListener("keydown", (e) => {
    if (e.key === "Enter" && e.target.matches('input[type="text"]')) { e.preventDefault(); form.requestSubmit(button); }
  });

  function say(...lines) {
    box.replaceChildren(...lines.map((text, i) => {
      const p = document.createElement("p"), b = document.createElement("b");
      if (i) { p.textContent = text; return p; }
      b.textContent = text; p.append(b);
      return p;
    }));
    box.hidden = !lines.length;
    if (lines.length) box.focus();
  }

  // where is the field that a fault is about, and the line beside it.
  function where(f) {
    if (f.row >= 0) {
      const row = points.children[f.row];
      return [row.querySelector(`[name="${f.field}"]`), row.querySelector(`[data-wrong="${f.field}"]`)];
    }
    return [document.getElementById("f-" + f.field), document.getElementById("wrong-" + f.field)];
  }

  function clear() {
    for (const w of form.querySelectorAll(".wrong")) { w.textContent = ""; w.hidden = true; }
    for (const f of form.querySelectorAll("[aria-invalid]")) f.removeAttribute("aria-invalid");
    say();
  }

  function show(faults) {
    let first;
    for (const f of faults) {
      const [field, line] = where(f);
      if (line) { line.textContent = f.text; line.hidden = false; }
      if (field) { field.setAttribute("aria-invalid", "true"); first = first || field; }
    }
    if (!first) return;
    const at = first.matches("fieldset") ? first.querySelector("input") : first;
    at.focus({ preventScroll: true });
    first.scrollIntoView({ block: "center" });
  }

  const hex = (b) => [...new Uint8Array(b)].map((x) => x.toString(16).padStart(2, "0")).join("");

  async function answer(r) {
    try { return await r.json(); } catch (e) { return { error: `the service answered ${r.status}.`, todo: "Look at the tool's page before you enter it again." }; }
  }

  async function keep(bytes, hash) {
    const r = await fetch("/papers/" + hash, { method: "PUT", body: bytes, headers: { Accept: "application/json", "Content-Type": "application/octet-stream" } });
    if (r.ok) { location.href = entered; return; }
    const d = await answer(r);
    say("The certificate is entered, but its file is not kept: " + d.error, "What to do: press the button again, it sends the file alone. " + (d.todo || ""));
  }

  async function enter() {
    const data = new FormData(form), file = chosen && chosen.files[0];
    let bytes, hash;
    if (file) {
      const most = Number(form.dataset.most);
      const bad = (text) => { say("One thing is wrong; nothing was entered."); show([{ field: "file", row: -1, text }]); };
      if (file.size > most * 1048576) return bad(`It has ${Math.round(file.size / 1048576)} MB, more than the ${most} MB that are kept: scan it with a lower resolution.`);
      if (!file.size) return bad("It is empty: choose the certificate itself.");
      if (!crypto.subtle) return bad("This browser takes no checksum over a line without TLS: open the page on the machine itself or over https, or send it with 'witnessmark tool certificate'.");
      try { bytes = await file.arrayBuffer(); } catch (e) { return bad("It cannot be read: choose it again."); }
      hash = hex(await crypto.subtle.digest("SHA-256", bytes));
      data.set("file", file.name); data.set("file_hash", hash); data.set("file_size", bytes.byteLength);
    }
    if (!entered) {
      const r = await fetch(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(data), headers: { Accept: "application/json" } });
      const d = await answer(r);
      if (!r.ok) {
        say(d.error, ...(d.items || []), d.todo || "");
        show(d.faults || []);
        return;
      }
      entered = d.tool;
      button.textContent = "Send the file again";
      if (chosen) chosen.disabled = true; // it is entered with this one
    }
    if (file) await keep(bytes, hash);
    else location.href = entered;
  }

  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    if (button.disabled) return;
    button.disabled = true;
    clear();
    try {
      await enter();
    } catch (err) {
      if (entered) say("The certificate is entered, but the service did not answer when its file was sent.", "What to do: press the button again, it sends the file alone.");
      else say("The service did not answer.", "What to do: look at the tool's page whether it was entered; entered twice it is refused. What you typed still stands.");
    }
    button.disabled = false;
  });
})();
