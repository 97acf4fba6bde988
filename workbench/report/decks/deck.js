(function () {
  "use strict";
  var root = document.documentElement;
  var slides = Array.prototype.slice.call(document.querySelectorAll(".slide"));
  if (!slides.length) { return; }
  var here = 0;
  root.classList.add("js");

  function show(number, focus) {
    here = Math.max(0, Math.min(slides.length - 1, number));
    slides.forEach(function (slide, place) { slide.classList.toggle("current", place === here); });
    try { window.history.replaceState(null, "", "#" + slides[here].id); } catch (ignored) { /* some viewers forbid it */ }
    if (!root.classList.contains("overview")) { window.scrollTo(0, 0); }
    if (focus) { slides[here].focus({ preventScroll: true }); }
  }

  function overview(on) {
    root.classList.toggle("overview", on);
    if (on) { slides[here].scrollIntoView({ block: "center" }); } else { show(here, true); }
  }

  function fromAddress() {
    var wanted = window.location.hash.slice(1);
    var place = slides.findIndex(function (slide) { return slide.id === wanted; });
    show(place < 0 ? 0 : place, false);
  }

  document.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    var on = root.classList.contains("overview");
    var onButton = event.target instanceof HTMLButtonElement;
    switch (event.key) {
      case "ArrowRight": case "ArrowDown": case "PageDown": show(here + 1, true); break;
      case "ArrowLeft": case "ArrowUp": case "PageUp": show(here - 1, true); break;
      case " ": if (onButton) { return; } show(here + (event.shiftKey ? -1 : 1), true); break;
      case "Home": show(0, true); break;
      case "End": show(slides.length - 1, true); break;
      case "o": case "O": overview(!on); break;
      case "Escape": if (on) { overview(false); } break;
      case "Enter": if (onButton || !on) { return; } overview(false); break;
      default: return;
    }
    event.preventDefault();
  });

  slides.forEach(function (slide, place) {
    slide.addEventListener("click", function () {
      if (root.classList.contains("overview")) { here = place; overview(false); }
    });
  });

  var startX = null, startY = null;
  document.addEventListener("touchstart", function (event) {
    startX = event.touches.length === 1 ? event.touches[0].clientX : null;
    startY = event.touches.length === 1 ? event.touches[0].clientY : null;
  }, { passive: true });
  document.addEventListener("touchend", function (event) {
    if (startX === null || root.classList.contains("overview")) { return; }
    var dx = event.changedTouches[0].clientX - startX, dy = event.changedTouches[0].clientY - startY;
    startX = null;
    if (Math.abs(dx) > 45 && Math.abs(dx) > 2 * Math.abs(dy)) { show(here + (dx < 0 ? 1 : -1), false); }
  }, { passive: true });

  document.querySelectorAll("nav.bar button").forEach(function (button) {
    button.addEventListener("click", function () {
      var what = button.getAttribute("data-do");
      if (what === "all") { overview(!root.classList.contains("overview")); } else { show(here + (what === "next" ? 1 : -1), false); }
    });
  });
  window.addEventListener("hashchange", fromAddress);
  fromAddress();
}());
