/* Asks how far an answer is and shows it when it is there; filters the list of nests as one types. */
(function () {
  "use strict";
  var ASK_EVERY_MS = 400, MOST_FAILURES = 10;
  var working = document.getElementById("working"), search = document.getElementById("search"), failures = 0;

  function ask() {
    fetch(working.dataset.progress, { cache: "no-store" })
      .then(function (answer) { if (!answer.ok) { throw new Error(answer.status); } return answer.json(); })
      .then(function (news) {
        failures = 0;
        if (news.done) { location.reload(); return; }
        say(news.words + "\u2026 (" + news.seconds + " s)");
        setTimeout(ask, ASK_EVERY_MS);
      })
      .catch(function () {
        failures += 1;
        if (failures > MOST_FAILURES) { say(working.dataset.failed); return; }
        setTimeout(ask, ASK_EVERY_MS * failures);
      });
  }

  function say(words) {
    var line = working.querySelector("[role=status]");
    if (line.textContent !== words) { line.textContent = words; }
  }

  function filter() {
    var parts = search.value.toLowerCase().split(/\s+/);
    document.querySelectorAll(".choices li").forEach(function (row) {
      row.hidden = !parts.every(function (part) { return row.dataset.words.indexOf(part) >= 0; });
    });
    if (search.value) { document.querySelectorAll(".choose details").forEach(function (part) { part.open = true; }); }
  }

  if (working) { setTimeout(ask, ASK_EVERY_MS); }
  if (search) {
    search.addEventListener("input", filter);
    search.addEventListener("keydown", function (event) { if (event.key === "Enter") { event.preventDefault(); } });
  }
})();
