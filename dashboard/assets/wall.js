/* Keeps the wall fresh, fits it to the screen, and says so when nobody answers. */
(function () {
  "use strict";
  var ASK_EVERY_MS = 5000, GIVE_UP_MS = 8000, LOST_AFTER_MS = 20000, TURN_EVERY_MS = 20000, SMALLEST_PX = 25;
  var body = document.body, build = body.dataset.build;
  var byId = function (id) { return document.getElementById(id); };
  var notice = byId("notice"), line = byId("line"), needs = byId("needs"), racks = byId("racks"), clock = byId("clock"), pager = byId("pager");
  var seen = "", heard = performance.now(), heardAt = new Date(), busy = false, shown = 0, pages = [];
  var drawn = new Map(), shape = "";

  function ask() {
    if (busy) { return; }
    busy = true;
    var stop = new AbortController(), timer = setTimeout(function () { stop.abort(); }, GIVE_UP_MS);
    fetch("/wall.json?seen=" + seen, { signal: stop.signal, cache: "no-store" })
      .then(function (answer) { if (!answer.ok) { throw new Error(answer.status); } return answer.json(); })
      .then(function (news) {
        if (news.build !== build) { location.reload(); return; }
        heard = performance.now(); heardAt = new Date(); seen = news.mark;
        if (news.wall) { draw(news.wall); }
        age();
      })
      .catch(function () { age(); })
      .finally(function () { clearTimeout(timer); busy = false; });
  }

  /* The browser's monotonic clock, so that no clock step hides a dead server. */
  function age() {
    var lost = performance.now() - heard > LOST_AFTER_MS;
    var words = lost ? body.dataset.noContact.replace("{at}", heardAt.toTimeString().slice(0, 8)) : "";
    if (notice.textContent !== words) { notice.textContent = words; fit(); }
    body.classList.toggle("old", lost || line.textContent !== "");
  }

  function put(element, html) { if (drawn.get(element) !== html) { drawn.set(element, html); element.innerHTML = html; return true; } return false; }

  function draw(wall) {
    var moved = put(line, wall.notices);
    if (wall.racks === undefined) { if (moved) { fit(); } return; }
    clock.textContent = wall.clock;
    moved = put(needs, wall.needs) || moved;
    var now = JSON.stringify(wall.racks.map(function (rack) { return [rack[0], rack[1].map(function (card) { return card[0]; })]; }));
    if (now !== shape) {
      if (shape !== "" || document.querySelectorAll(".card").length !== count(wall.racks)) { location.reload(); return; }
      shape = now;
    }
    var cards = document.querySelectorAll(".card"), number = 0;
    wall.racks.forEach(function (rack) {
      rack[1].forEach(function (card) {
        if (drawn.get(card[0]) !== card[1]) { drawn.set(card[0], card[1]); replace(cards[number], card[1]); }
        number += 1;
      });
    });
    if (moved) { fit(); } else { turn(0); }
  }

  function count(list) { return list.reduce(function (sum, rack) { return sum + rack[1].length; }, 0); }

  function replace(card, html) {
    var holder = document.createElement("template");
    holder.innerHTML = html;
    var next = holder.content.firstChild, held = document.activeElement === card;
    next.hidden = card.hidden;
    card.replaceWith(next);
    if (held) { next.focus(); }
  }

  /* The largest letters with which all shelves fit; below the smallest, shelves are turned like pages. */
  function fit() {
    var shelves = Array.prototype.slice.call(document.querySelectorAll(".rack"));
    if (!shelves.length) { return; }
    if (innerWidth < 900) { racks.style.removeProperty("--u"); racks.style.removeProperty("--columns"); racks.style.removeProperty("--row"); pages = []; turn(0); return; }
    var counts = shelves.map(function (rack) { return rack.querySelectorAll(".card").length; });
    needs.classList.remove("tight");
    var best = largest(counts);
    if (best.size < SMALLEST_PX) { needs.classList.add("tight"); best = largest(counts); }
    var wide = racks.clientWidth, high = room();
    pages = [];
    if (best.size < SMALLEST_PX) {
      best = { size: SMALLEST_PX, columns: Math.max(1, Math.floor((wide - 34) / (SMALLEST_PX * 6.8))) };
      pages = paginate(counts, best.columns, Math.max(1, Math.floor((high - 5 * counts.length) / (SMALLEST_PX * 2.72))));
    }
    racks.style.setProperty("--u", best.size.toFixed(2) + "px");
    racks.style.setProperty("--columns", best.columns);
    racks.style.removeProperty("--row");
    if (!pages.length) { stretch(counts, best, high); }
    turn(0);
  }

  /* Higher rows where the screen has room for them. */
  function stretch(counts, best, high) {
    var rows = counts.reduce(function (sum, number) { return sum + Math.ceil(number / best.columns); }, 0);
    racks.style.setProperty("--row", Math.min(3.5, (high - 6 * counts.length) / rows / best.size).toFixed(3) + "em");
    if (document.documentElement.scrollHeight > innerHeight) { racks.style.removeProperty("--row"); }
  }

  function room() { return innerHeight - racks.getBoundingClientRect().top - 4; }

  function largest(counts) {
    var wide = racks.clientWidth, high = room(), most = Math.max.apply(null, counts), best = null;
    for (var columns = 1; columns <= most; columns += 1) {
      var rows = counts.reduce(function (sum, number) { return sum + Math.ceil(number / columns); }, 0);
      var size = Math.min((wide - 34) / columns / 6.8, (high - 5 * counts.length) / rows / 2.72, 64);
      if (!best || size > best.size) { best = { size: size, columns: columns }; }
    }
    return best;
  }

  function paginate(counts, columns, rows) {
    var list = [], from = 0, left = rows, start = 0;
    counts.forEach(function (number) {
      for (var row = 0; row < Math.ceil(number / columns); row += 1) {
        if (left === 0) { list.push([start, from]); start = from; left = rows; }
        from += Math.min(columns, number - row * columns); left -= 1;
      }
    });
    list.push([start, from]);
    return list;
  }

  function turn(step) {
    var cards = document.querySelectorAll(".card");
    shown = pages.length ? (shown + step + pages.length) % pages.length : 0;
    var page = pages[shown] || [0, cards.length];
    cards.forEach(function (card, number) { card.hidden = number < page[0] || number >= page[1]; });
    document.querySelectorAll(".rack").forEach(function (rack) { rack.hidden = !rack.querySelector(".card:not([hidden])"); });
    pager.textContent = pages.length ? (shown + 1) + " / " + pages.length : "";
  }

  addEventListener("resize", fit);
  addEventListener("keydown", function (event) {
    if (event.key === "PageDown") { turn(1); } else if (event.key === "PageUp") { turn(-1); }
  });
  setInterval(ask, ASK_EVERY_MS);
  setInterval(age, 1000);
  setInterval(function () { turn(1); }, TURN_EVERY_MS);
  fit(); age(); ask();
})();
