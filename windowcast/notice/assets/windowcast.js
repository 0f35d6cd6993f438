/* windowcast: a day of the picture, tapped, pointed at or reached by the arrow keys, says its figures;
   a page that was made long ago says so. Everything can be read without this file. */
"use strict";
(function () {
  var OLD_HOURS = 12;
  var made = document.querySelector(".asof time"), old = document.querySelector(".old");
  if (!made || !old) return;
  function look() {
    old.hidden = Date.now() - Date.parse(made.dateTime) < OLD_HOURS * 3600e3;
  }
  look();
  setInterval(look, 60e3);
  document.addEventListener("visibilitychange", look);
})();
(function () {
  var figure = document.querySelector(".picture");
  if (!figure) return;
  var said = figure.querySelector(".said");
  figure.querySelectorAll("svg").forEach(function (picture) {
    var days = Array.prototype.slice.call(picture.querySelectorAll(".wc-day"));
    if (!days.length) return;
    var here = -1;
    function show(at) {
      if (at < 0 || at >= days.length) return;
      if (days[here]) days[here].classList.remove("here");
      here = at;
      days[here].classList.add("here");
      said.textContent = days[here].querySelector("title").textContent;
      said.hidden = false;
    }
    days.forEach(function (day, at) {
      day.addEventListener("pointerenter", function () { show(at); });
      day.addEventListener("click", function () { show(at); });
    });
    picture.setAttribute("tabindex", "0");
    picture.addEventListener("keydown", function (event) {
      var step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!step) return;
      event.preventDefault();
      show(Math.min(Math.max(here + step, 0), days.length - 1));
    });
  });
})();
