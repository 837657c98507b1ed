// Scanners that type, and photos, on the bench page. Pages work without it: the
// scan field takes a line with Enter, and the photo form has a button.
"use strict";
(() => {
  const MOST = 16 * 1024 * 1024; // bytes of a photo, as the service takes them
  const field = () => document.getElementById("scan-field");
  const dialog = document.getElementById("dialog");

  // A scanner types wherever the focus is. While a kit is open its field takes
  // what is typed, so that no letter of a label is taken for one of the page's
  // keys.
  let free = false; // Esc frees the keyboard, for a badge or the page's keys, until the field is used again
  addEventListener("focusin", (e) => { if (e.target === field()) free = false; });
  addEventListener("keydown", (e) => {
    const f = field();
    if (f && e.key === "Escape" && document.activeElement === f) { free = true; f.blur(); return; }
    if (free) return;
    if (!f || e.ctrlKey || e.metaKey || e.altKey || e.key.length !== 1 || (dialog && dialog.open)) return;
    const at = document.activeElement; // for a moment still a field of the dialog that just closed
    if (at && at.matches("input, select, textarea") && !(dialog && dialog.contains(at))) return;
    e.stopImmediatePropagation();
    f.focus({ preventScroll: true });
  }, { capture: true });

  const live = document.getElementById("live");
  const ready = () => { const f = field(); if (f && !free && (!document.activeElement || document.activeElement === document.body)) f.focus({ preventScroll: true }); };
  if (live) new MutationObserver(ready).observe(live, { childList: true });
  ready();

  addEventListener("change", (e) => {
    const f = e.target.closest && e.target.closest("form[data-photo]");
    if (!f || !e.target.files || !e.target.files.length) return;
    const file = e.target.files[0];
    if (file.size > MOST) {
      const box = document.getElementById("refused");
      box.replaceChildren();
      for (const t of [`Not done: the photo has ${Math.round(file.size / 1048576)} MB, more than 16 MB.`, "What to do: take it with a lower resolution. Nothing was sent."]) {
        const p = document.createElement("p"); p.textContent = t; box.append(p);
      }
      box.hidden = false;
      f.reset();
      return;
    }
    f.querySelector("label").dataset.busy = "1";
    f.submit();
  });
})();
