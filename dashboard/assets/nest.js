/* A finger on a chart scrolls the page, as anywhere else: its drag never reaches the chart, a tap still shows the values. */
(function () {
  "use strict";
  addEventListener("touchstart", function (event) {
    if (event.target.closest && event.target.closest(".js-plotly-plot")) { event.stopPropagation(); }
  }, { capture: true, passive: true });
})();
/* The head of the nest page: says what was written, with its way back; and the water column that is dragged. */
(function () {
  "use strict";
  var said = document.getElementById("said");
  if (!said) { return; }
  var WITHDRAW = said.dataset.withdraw, PUT_BACK = said.dataset.putBack;

  /* What was written just now, newest first; three of them stay. ``path`` undoes it. */
  function tell(words, path, id) {
    var line = document.createElement("p");
    line.textContent = words + " ";
    if (id !== undefined) {
      var undo = document.createElement("button");
      undo.type = "button";
      undo.textContent = said.dataset.undo;
      undo.setAttribute("aria-label", said.dataset.undo + ": " + words);
      undo.dataset.write = path;
      undo.dataset.body = JSON.stringify({ id: id });
      line.appendChild(undo);
    }
    said.prepend(line);
    while (said.children.length > 3) { said.lastChild.remove(); }
    return line;
  }

  function told(found) {
    var text = String(found.text || "");
    var words = text.slice(text.indexOf(": ") + 1).trim();
    tell(filled(said.dataset.form, words), WITHDRAW, found.id);
    refresh();
  }

  function filled(form, words) {
    var time = new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    return form.replace("{time}", time).replace("{who}", said.dataset.user).replace("{text}", function () { return words; });
  }

  /* Chart, facts and journal are Dash's: let it ask anew. */
  function refresh() {
    var dash = window.dash_clientside;
    if (dash && dash.set_props) { try { dash.set_props("nest-written", { data: Date.now() }); } catch (error) { return; } }
  }

  document.addEventListener("written", function (event) {
    var from = event.target;
    if (from.dataset.write === WITHDRAW || from.dataset.write === PUT_BACK) {
      undone(from, event.detail);
      return;
    }
    poured(from, event.detail.id);
    told(event.detail);
    if (from.tagName === "FORM") { from.reset(); }
    var asked = from.closest("details");
    if (asked) { asked.open = false; }
  });

  /* Undo beside what was said, or a line of the journal put back. */
  function undone(from, found) {
    var line = from.closest("#said p");
    if (from.dataset.write === WITHDRAW) { unpoured(JSON.parse(from.dataset.body).id); }
    if (!line) {
      tell(filled(said.dataset.back, String(found.text || "")));
      keepPlace(from.dataset.of);
    } else {
      var form = from.dataset.write === WITHDRAW ? said.dataset.undone : said.dataset.back;
      line.textContent = filled(form, line.firstChild.textContent.trim());
      said.tabIndex = -1; said.focus();
    }
    refresh();
  }

  /* An older entry: asked once, in a dialog that names it, for the list may grow while somebody reads. */
  var dialog = document.getElementById("withdraw"), chosen = null;
  document.addEventListener("click", function (event) {
    var button = event.target.closest("button[data-entry]");
    if (!button || !dialog) { return; }
    chosen = { id: Number(button.dataset.entry), words: button.dataset.words, kind: button.dataset.kind };
    document.getElementById("withdraw-what").textContent = chosen.words;
    dialog.showModal();
    document.getElementById("withdraw-no").focus();
  });
  if (dialog) {
    document.getElementById("withdraw-no").addEventListener("click", function () { dialog.close(); });
    document.getElementById("withdraw-yes").addEventListener("click", function () {
      var taken = chosen;
      chosen = null;
      if (!taken) { return; }
      window.nestWrite(WITHDRAW, { id: taken.id }).then(function () {
        if (taken.kind === "died") { location.reload(); return; } /* the nest is watched again: the whole page is another */
        unpoured(taken.id);
        tell(filled(said.dataset.withdrawn, taken.words), PUT_BACK, taken.id);
        keepPlace(taken.id);
        refresh();
      }).catch(function () {}).finally(function () { dialog.close(); });
    });
  }

  /* The list is drawn anew after a write: who was at a line of it by keys stays there. */
  function keepPlace(id) {
    var list = document.getElementById("nest-journal");
    var watch = new MutationObserver(function () {
      if (document.activeElement !== document.body) { return; }
      var button = list.querySelector('button[data-of="' + Number(id) + '"]');
      if (button) { watch.disconnect(); button.focus({ preventScroll: true }); }
    });
    watch.observe(list, { childList: true, subtree: true });
    setTimeout(function () { watch.disconnect(); }, 15000);
  }

  /* What a fill or top-up does to the column; the same undone. */
  var settle = function () {}, leftBefore = {};
  function poured(from, id) {
    var kind = JSON.parse(from.dataset.body || "{}").kind, field = from.querySelector("[name=amount]");
    var ml = field && field.value !== "" ? Number(field.value) : NaN;
    if ((kind === "fill" || kind === "top_up") && ml >= 0) { leftBefore[id] = settle(ml, kind === "top_up"); }
  }
  function unpoured(id) { if (leftBefore[id] !== undefined) { settle(leftBefore[id], false); } }

  /* The column. It stands at the cotton, so that its right end stays and its left end is what is dragged. */
  var level = document.getElementById("level");
  if (!level) { return; }
  var svg = level.querySelector("svg"), column = level.querySelector(".water");
  var write = document.getElementById("level-write"), back = document.getElementById("level-back"), says = document.getElementById("level-says");
  var from = Number(column.getAttribute("x")), long = Number(column.getAttribute("width"));
  var most = Number(level.getAttribute("aria-valuemax")), start = Number(level.getAttribute("aria-valuenow"));
  var unknown = "unknown" in level.dataset, unknownSays = says.textContent;
  var now = start, held = null, begun = 0, busy = false;
  var grip = document.createElementNS("http://www.w3.org/2000/svg", "path");
  grip.setAttribute("class", "grip");
  svg.appendChild(grip);

  function tenth(ml) { return Math.round(Math.min(most, Math.max(0, ml)) * 10) / 10; }
  function changed() { return now !== start; }

  function draw() {
    var share = most > 0 ? now / most : 0, x = from + long * (1 - share);
    column.setAttribute("x", x.toFixed(2));
    column.setAttribute("width", (long * share).toFixed(2));
    column.style.opacity = unknown && !changed() ? 0.25 : 1;
    grip.setAttribute("d", "M" + x.toFixed(2) + " 0v20");
    var words = unknown && !changed() ? unknownSays : level.dataset.says.replace("{ml}", now.toFixed(1));
    level.setAttribute("aria-valuenow", now.toFixed(1));
    level.setAttribute("aria-valuetext", words);
    says.textContent = words;
    write.textContent = level.dataset.writeSays.replace("{ml}", now.toFixed(1));
    write.hidden = back.hidden = !changed();
    level.classList.toggle("moved", changed());
  }

  /* So much is known to be left now; gives what was before. Added to what nobody knows, it stays unknown. */
  settle = function (ml, added) {
    var before = unknown ? undefined : start;
    if (added && unknown) { return undefined; }
    now = start = tenth(added ? start + ml : ml); unknown = false; draw();
    return before;
  };

  function set(ml) { now = tenth(ml); draw(); }
  function restore() { now = start; draw(); }

  function seen(event) {
    var point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return (from + long - point.x) / long * most;
  }

  level.addEventListener("pointerdown", function (event) {
    if (held !== null || (event.pointerType === "mouse" && event.button !== 0)) { return; }
    held = event.pointerId; begun = now;
    level.setPointerCapture(held);
    level.focus({ preventScroll: true });
    set(seen(event));
    event.preventDefault();
  });
  level.addEventListener("pointermove", function (event) { if (event.pointerId === held) { set(seen(event)); } });
  level.addEventListener("pointerup", function (event) { if (event.pointerId === held) { held = null; } });
  /* The browser took the touch for scrolling: it was no drag. */
  level.addEventListener("pointercancel", function (event) { if (event.pointerId === held) { held = null; now = begun; draw(); } });

  level.addEventListener("keydown", function (event) {
    var steps = { ArrowRight: 0.1, ArrowUp: 0.1, ArrowLeft: -0.1, ArrowDown: -0.1, PageUp: 1, PageDown: -1 };
    if (event.key in steps) { set(now + steps[event.key]); }
    else if (event.key === "Home") { set(0); }
    else if (event.key === "End") { set(most); }
    else if (event.key === "Escape") { held = null; restore(); }
    else if (event.key === "Enter") { if (changed()) { send(); } }
    else { return; }
    event.preventDefault();
  });

  function send() {
    if (busy) { return; }
    busy = true;
    var ml = now;
    window.nestWrite("/write/entries", { nest: level.dataset.nest, kind: "level", amount: ml })
      .then(function (found) { now = ml; leftBefore[found.id] = settle(ml, false); level.focus(); told(found); })
      .catch(function () {})
      .finally(function () { busy = false; });
  }
  write.addEventListener("click", send);
  back.addEventListener("click", function () { restore(); level.focus(); });
  draw();
})();
