/* The checklist: a tick writes the entry that ends the line, a second one, or Undo, withdraws it. */
(function () {
  "use strict";
  var tally = document.getElementById("tally");
  var LOOK_ANEW_AFTER_MS = 60000, loaded = performance.now();

  function count() {
    document.querySelectorAll(".round").forEach(function (part) {
      var small = part.previousElementSibling.querySelector("small");
      small.textContent = part.querySelectorAll(".chore:not(.done)").length;
    });
    if (!tally) { return; }
    tally.textContent = tally.dataset.words.replace("{done}", document.querySelectorAll(".chore.done").length)
      .replace("{all}", document.querySelectorAll(".chore").length);
  }

  function show(line, entry, said) {
    var box = line.querySelector('[role="checkbox"]'), undo = line.querySelector(".undo");
    if (entry) { line.dataset.entry = entry; } else { delete line.dataset.entry; }
    line.classList.toggle("done", Boolean(entry));
    box.setAttribute("aria-checked", entry ? "true" : "false");
    undo.hidden = !entry;
    undo.querySelector("small").textContent = said || "";
    if (document.activeElement === document.body) { box.focus(); }
    count();
  }

  function turn(line) {
    if (line.dataset.busy) { return; }
    var form = line.querySelector("form.tick"), body = JSON.parse(form.dataset.body), amount = form.querySelector("input");
    var entry = line.dataset.entry;
    if (!entry && !form.reportValidity()) { return; }
    if (amount && amount.value !== "") { body.amount = amount.value; }
    line.dataset.busy = "yes";
    (entry ? nestWrite("/write/entries/withdraw", { id: entry }) : nestWrite("/write/entries", body))
      .then(function (found) { show(line, entry ? null : found.id, entry ? "" : found.text); })
      .catch(function () {})
      .finally(function () { delete line.dataset.busy; });
  }

  document.addEventListener("submit", function (event) {
    var form = event.target.closest("form.tick");
    if (form) { event.preventDefault(); turn(form.closest(".chore")); }
  });
  document.addEventListener("click", function (event) {
    var undo = event.target.closest(".undo button");
    if (undo) { turn(undo.closest(".chore")); }
  });
  /* Back from the pocket: somebody else may have been round meanwhile. */
  document.addEventListener("visibilitychange", function () {
    var typing = document.activeElement && document.activeElement.tagName === "INPUT";
    if (!document.hidden && !typing && performance.now() - loaded > LOOK_ANEW_AFTER_MS) { location.reload(); }
  });
  count();
})();
