/* Says so when the server no longer answers, and reloads after an update: for pages that Dash keeps fresh. */
(function () {
  "use strict";
  var ASK_EVERY_MS = 5000, GIVE_UP_MS = 8000, LOST_AFTER_MS = 20000;
  var body = document.body, notice = document.getElementById("notice");
  var heard = performance.now(), heardAt = new Date(), busy = false, said = "";
  function ask() {
    if (busy) { return; }
    busy = true;
    var stop = new AbortController(), timer = setTimeout(function () { stop.abort(); }, GIVE_UP_MS);
    fetch("/build", { signal: stop.signal, cache: "no-store" })
      .then(function (answer) { if (answer.status === 401) { location.reload(); } if (!answer.ok) { throw new Error(answer.status); } return answer.text(); })
      .then(function (build) {
        if (build !== body.dataset.build) { location.reload(); return; }
        heard = performance.now(); heardAt = new Date();
      })
      .catch(function () {})
      .finally(function () { clearTimeout(timer); busy = false; });
  }
  setInterval(ask, ASK_EVERY_MS);
  setInterval(function () {
    var lost = performance.now() - heard > LOST_AFTER_MS;
    var words = lost ? body.dataset.noContact.replace("{at}", heardAt.toTimeString().slice(0, 8)) : "";
    if (said !== words) { said = words; notice.classList.remove("refused"); notice.textContent = words; }
  }, 1000);
})();
