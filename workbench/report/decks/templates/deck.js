(function () {
  "use strict";
  var root = document.documentElement;
  var slides = Array.prototype.slice.call(document.querySelectorAll(".slide"));
  if (!slides.length) { return; }
  var here = 0, typed = "", speaker = null, started = null;
  var menu = document.querySelector("nav.jump");
  root.classList.add("js");

  function show(number, focus) {
    here = Math.max(0, Math.min(slides.length - 1, number));
    slides.forEach(function (slide, place) { slide.classList.toggle("current", place === here); });
    try { window.history.replaceState(null, "", "#" + slides[here].id); } catch (ignored) { /* some viewers forbid it */ }
    if (!root.classList.contains("overview")) { window.scrollTo(0, 0); fit(slides[here]); }
    if (focus) { slides[here].focus({ preventScroll: true }); }
    tell();
  }

  function spills(slide) {
    var foot = slide.querySelector("footer").getBoundingClientRect().top, bottom = 0;
    slide.querySelectorAll(".content *").forEach(function (part) {
      var box = part.getBoundingClientRect();
      if (box.height) { bottom = Math.max(bottom, box.bottom); }
    });
    return bottom > foot || slide.scrollHeight > slide.clientHeight + 1;
  }

  /* An appendix slide is set smaller until all of it is seen; a talk slide never is. */
  function fit(slide) {
    if (!slide.classList.contains("appendix") || window.innerWidth <= 760) { return; }
    var size = 1;
    slide.style.removeProperty("--fit");
    while (size > 0.4 && spills(slide)) { size -= 0.05; slide.style.setProperty("--fit", size.toFixed(2)); }
  }

  function overview(on) {
    root.classList.toggle("overview", on);
    if (on) { slides[here].scrollIntoView({ block: "center" }); } else { show(here, true); }
  }

  function jump(on) {
    menu.hidden = !on;
    if (on) { menu.querySelector("a").focus(); }
  }

  function printTalk() {
    root.classList.add("talk-alone");
    window.print();
  }
  window.addEventListener("afterprint", function () { root.classList.remove("talk-alone"); });

  /* Speaker view: a second window with the notes, what comes next, and the time since the first step. */
  function speak() {
    speaker = window.open("", "speaker", "width=900,height=700");
    if (!speaker) { return; }
    var page = speaker.document;
    page.title = "Speaker: " + document.title;
    page.body.textContent = "";
    page.body.style.cssText = "font: 24px/1.4 sans-serif; margin: 1.2em; color: #1f2933;";
    [["clock", "font-size: 34px; font-weight: 700;"], ["now", "font-weight: 700; margin-top: 0.6em;"],
     ["notes", "margin-top: 0.4em;"], ["next", "margin-top: 1.2em; color: #59636e;"]].forEach(function (part) {
      var box = page.createElement("div");
      box.id = part[0];
      box.style.cssText = part[1];
      page.body.appendChild(box);
    });
    page.onkeydown = keys;
    started = started || Date.now();
    tell();
  }

  function put(id, text) {
    var box = speaker.document.getElementById(id);
    if (box) { box.textContent = text; }
  }

  function title(slide) { return slide.dataset.place + "  " + slide.querySelector("h1, h2").textContent; }

  function tell() {
    if (!speaker || speaker.closed) { return; }
    put("now", title(slides[here]));
    var notes = speaker.document.getElementById("notes");
    notes.textContent = "";
    slides[here].querySelectorAll(".notes p").forEach(function (line) {
      var part = speaker.document.createElement("p");
      part.textContent = line.textContent;
      notes.appendChild(part);
    });
    put("next", here + 1 < slides.length ? "Next: " + title(slides[here + 1]) : "This is the last slide.");
    tick();
  }

  function tick() {
    if (!speaker || speaker.closed) { return; }
    var seconds = Math.floor((Date.now() - started) / 1000);
    var clock = new Date().toTimeString().slice(0, 5);
    put("clock", clock + "    " + Math.floor(seconds / 60) + ":" + ("0" + seconds % 60).slice(-2));
  }
  window.setInterval(tick, 1000);

  function fromAddress() {
    var wanted = window.location.hash.slice(1);
    var place = slides.findIndex(function (slide) { return slide.id === wanted; });
    if (root.classList.contains("overview")) { root.classList.remove("overview"); }
    jump(false);
    show(place < 0 ? 0 : place, false);
  }

  function keys(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    var on = root.classList.contains("overview");
    var onButton = event.target && /^(BUTTON|A)$/.test(event.target.tagName);
    if (/^[0-9]$/.test(event.key)) { typed = (typed + event.key).slice(-4); event.preventDefault(); return; }
    var number = typed;
    typed = "";
    switch (event.key) {
      case "ArrowRight": case "ArrowDown": case "PageDown": show(here + 1, true); break;
      case "ArrowLeft": case "ArrowUp": case "PageUp": show(here - 1, true); break;
      case " ": if (onButton) { return; } show(here + (event.shiftKey ? -1 : 1), true); break;
      case "Home": show(0, true); break;
      case "End": show(slides.length - 1, true); break;
      case "o": case "O": overview(!on); break;
      case "j": case "J": jump(menu.hidden); break;
      case "s": case "S": speak(); break;
      case "p": case "P": printTalk(); break;
      case "Escape": jump(false); if (on) { overview(false); } break;
      case "Enter":
        if (number) { show(Number(number) - 1, true); break; }
        if (onButton || !on) { return; }
        overview(false);
        break;
      default: return;
    }
    event.preventDefault();
  }
  document.addEventListener("keydown", keys);

  slides.forEach(function (slide, place) {
    slide.addEventListener("click", function () {
      if (root.classList.contains("overview")) { here = place; overview(false); }
    });
  });

  var asleep = null;
  function wake() {
    root.classList.add("awake");
    window.clearTimeout(asleep);
    asleep = window.setTimeout(function () { root.classList.remove("awake"); }, 2500);
  }
  document.addEventListener("mousemove", wake);

  var startX = null, startY = null;
  document.addEventListener("touchstart", function (event) {
    wake();
    startX = event.touches.length === 1 ? event.touches[0].clientX : null;
    startY = event.touches.length === 1 ? event.touches[0].clientY : null;
  }, { passive: true });
  document.addEventListener("touchend", function (event) {
    if (startX === null || root.classList.contains("overview")) { return; }
    var dx = event.changedTouches[0].clientX - startX, dy = event.changedTouches[0].clientY - startY;
    startX = null;
    if (Math.abs(dx) > 45 && Math.abs(dx) > 2 * Math.abs(dy)) { show(here + (dx < 0 ? 1 : -1), false); }
  }, { passive: true });

  var acts = {
    back: function () { show(here - 1, false); },
    next: function () { show(here + 1, false); },
    all: function () { overview(!root.classList.contains("overview")); },
    jump: function () { jump(menu.hidden); },
    speak: speak,
    print: printTalk
  };
  document.querySelectorAll("nav.bar button").forEach(function (button) {
    button.addEventListener("click", acts[button.getAttribute("data-do")]);
  });
  window.addEventListener("hashchange", fromAddress);
  window.addEventListener("resize", function () { if (!root.classList.contains("overview")) { fit(slides[here]); } });
  fromAddress();
}());
