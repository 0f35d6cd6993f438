/* windowcast: a form is sent by one tap, and what was typed outlives a lost signal.
   Everything works without this file. Sent twice, a form is kept once: its key stays with the draft. */
"use strict";
(function () {
  function kept(name, text) {
    try {
      if (text === undefined) return sessionStorage.getItem(name);
      if (text === null) sessionStorage.removeItem(name); else sessionStorage.setItem(name, text);
    } catch (error) { /* storage may be switched off */ }
    return null;
  }
  var done = document.querySelector("[data-sent]");
  if (done) kept(done.dataset.sent, null);
  var form = document.querySelector("form[data-draft]");
  if (!form) return;
  var place = form.getAttribute("action");
  var button = form.querySelector("button[type=submit]");
  var offline = form.querySelector(".offline");
  var name = button.textContent, timer = 0;
  function save() {
    kept(place, JSON.stringify(Array.from(new FormData(form).entries())));
  }
  function ready() {
    clearTimeout(timer);
    button.disabled = false;
    button.textContent = name;
  }
  function restore(pairs) {
    var values = new Map(pairs), changed = false;
    Array.from(form.elements).forEach(function (one) {
      if (!one.name || !values.has(one.name)) return;
      var value = values.get(one.name);
      if (one.type === "radio" || one.type === "checkbox") {
        if (one.checked !== (one.value === value)) { one.checked = one.value === value; changed = true; }
      } else if (one.value !== value) {
        changed = changed || one.type !== "hidden";
        one.value = value;
      }
    });
    return changed;
  }
  var draft = form.hasAttribute("data-fresh") ? kept(place) : null;
  if (draft) {
    var note = form.querySelector(".draft");
    try { note.hidden = !restore(JSON.parse(draft)); } catch (error) { kept(place, null); }
    note.querySelector("button").addEventListener("click", function () {
      kept(place, null);
      location.reload();
    });
  }
  form.addEventListener("input", save);
  form.addEventListener("submit", function (event) {
    save();
    offline.hidden = navigator.onLine;
    if (!navigator.onLine) { event.preventDefault(); return; }
    if (button.disabled) { event.preventDefault(); return; }
    button.disabled = true;
    button.textContent = form.dataset.sending;
    timer = setTimeout(ready, 8000);
  });
  addEventListener("online", function () { offline.hidden = true; });
  addEventListener("pageshow", ready);
})();
