/* Keeps the wall fresh, fits it to the screen, and says so when nobody answers. */
(function () {
  "use strict";
  var ASK_EVERY_MS = 5000, GIVE_UP_MS = 8000, LOST_AFTER_MS = 20000, TURN_EVERY_MS = 20000;
  /* A card is WIDE by HIGH of its letters; in one run of all racks it takes CARD columns, the name of a rack one. */
  var WIDE = 6.25, HIGH = 2.9, CARD = 6, LARGEST_PX = 120, MOST_LINES = 3, TITLE_PX = 22, EDGE_PX = 6, PHONE_PX = 900, SCREEN_PX = 1600;
  var body = document.body, build = body.dataset.build;
  var byId = function (id) { return document.getElementById(id); };
  var notice = byId("notice"), line = byId("line"), needs = byId("needs"), racks = byId("racks"), clock = byId("clock"), pager = byId("pager");
  var seen = "", heard = performance.now(), heardAt = new Date(), busy = false, shown = 0, pages = [];
  var drawn = new Map(), shape = "", allOld = body.classList.contains("old");

  function ask() {
    if (busy) { return; }
    busy = true;
    var stop = new AbortController(), timer = setTimeout(function () { stop.abort(); }, GIVE_UP_MS);
    fetch("/wall.json?seen=" + seen, { signal: stop.signal, cache: "no-store" })
      .then(function (answer) { if (answer.status === 401) { location.reload(); } if (!answer.ok) { throw new Error(answer.status); } return answer.json(); })
      .then(function (news) {
        if (news.build !== build) { return again(); }
        heard = performance.now(); heardAt = new Date(); seen = news.mark;
        if (news.wall) { draw(news.wall); }
        age();
      })
      .catch(function () { age(); })
      .finally(function () { clearTimeout(timer); busy = false; });
  }

  /* Anew, but only from a server that answers: else the browser's own error page would stay on the wall for good. */
  function again() {
    return fetch("/", { cache: "no-store" }).then(function (answer) { if (answer.ok) { location.reload(); } });
  }

  /* The browser's monotonic clock, so that no clock step hides a dead server. */
  function age() {
    var lost = performance.now() - heard > LOST_AFTER_MS;
    var words = lost ? body.dataset.noContact.replace("{at}", heardAt.toTimeString().slice(0, 8)) : "";
    if (notice.textContent !== words) { notice.textContent = words; fit(); }
    body.classList.toggle("old", lost || allOld);
  }

  function put(element, html) { if (drawn.get(element) !== html) { drawn.set(element, html); element.innerHTML = html; return true; } return false; }

  function draw(wall) {
    var moved = put(line, wall.notices);
    allOld = wall.old !== false;
    if (wall.racks === undefined) { if (moved) { fit(); } return; }
    clock.textContent = wall.clock;
    moved = put(needs, wall.needs) || moved;
    var now = JSON.stringify(wall.racks.map(function (rack) { return [rack[0], rack[1].map(function (card) { return card[0]; })]; }));
    if (now !== shape) {
      if (!wall.racks.length) { if (shape !== "") { again(); } shape = now; return; }
      shape = now; moved = true;
      stock(wall.racks);
    } else { refresh(wall.racks); }
    if (moved) { fit(); } else { turn(0); }
  }

  /* All shelves anew: the first time, and when a nest has come or gone. */
  function stock(list) {
    drawn.forEach(function (html, key) { if (typeof key === "string") { drawn.delete(key); } });
    racks.replaceChildren.apply(racks, list.map(function (rack) {
      var section = document.createElement("section"), title = document.createElement("h2"), shelf = document.createElement("div");
      section.className = "rack"; shelf.className = "shelf"; title.textContent = rack[0];
      shelf.innerHTML = rack[1].map(function (card) { drawn.set(card[0], card[1]); return card[1]; }).join("");
      section.append(title, shelf);
      return section;
    }));
  }

  function refresh(list) {
    var cards = racks.querySelectorAll(".card"), number = 0;
    list.forEach(function (rack) {
      rack[1].forEach(function (card) {
        if (drawn.get(card[0]) !== card[1]) { drawn.set(card[0], card[1]); replace(cards[number], card[1]); }
        number += 1;
      });
    });
  }

  function replace(card, html) {
    var holder = document.createElement("template");
    holder.innerHTML = html;
    var next = holder.content.firstChild, held = document.activeElement === card;
    next.hidden = card.hidden;
    card.replaceWith(next);
    if (held) { next.focus(); }
  }

  /* The largest letters with which all fits: on shelves, else in one run; below the smallest, the run is turned like pages. */
  function fit() {
    var counts = Array.prototype.map.call(racks.querySelectorAll(".rack"), function (rack) { return rack.querySelectorAll(".card").length; });
    if (!counts.length) { return; }
    pages = [];
    lines(MOST_LINES);
    if (innerWidth < PHONE_PX) { racks.className = ""; set(null); turn(0); squeeze(); return; }
    var best = null, smallest = smallestPx();
    [[3, onShelves], [2, onShelves], [3, inRun], [2, inRun], [1, onShelves], [1, inRun]].forEach(function (way) {
      if (best) { return; }
      lines(way[0]);
      var found = way[1](counts);
      if (found.size >= smallest) { best = found; }
    });
    if (!best) { lines(2); best = inPages(counts); }
    pages = best.pages;
    racks.className = best.kind;
    set(best);
    turn(0);
    squeeze();
  }

  /* The name of a rack that is longer than its shelf is high: in smaller letters, at last in two lines. */
  function squeeze() {
    racks.querySelectorAll(".rack:not([hidden]) h2").forEach(function (title) {
      title.style.fontSize = title.className = "";
      var share = title.clientHeight / title.scrollHeight, px = parseFloat(getComputedStyle(title).fontSize) * share;
      if (share < 1 && px >= 12) { title.style.fontSize = Math.floor(px * 10) / 10 + "px"; } else if (share < 1) { title.className = "two"; }
    });
  }

  /* Across the room 24.75 px: their capitals are 17 px high, the least that is read from 1 m; on a tablet in the hand less. */
  function smallestPx() { return innerWidth < SCREEN_PX ? 17.5 : 24.75; }

  function lines(number) { needs.className = "show-" + number; }

  function set(best) {
    ["u", "across", "columns", "row"].forEach(function (name) {
      if (best) { racks.style.setProperty("--" + name, best[name]); } else { racks.style.removeProperty("--" + name); }
    });
  }

  function chosen(kind, size, across, columns, rows, high, laid) {
    var row = Math.min(high / rows, size * HIGH * 1.25);
    return { kind: kind, size: size, u: size.toFixed(2) + "px", across: across, columns: columns, row: Math.floor(row) + "px", pages: laid };
  }

  function room() { return innerHeight - racks.getBoundingClientRect().top - 4; }

  function onShelves(counts) {
    var wide = racks.clientWidth - 10, high = room(), best = { size: 0 };
    for (var across = 1; across <= Math.min(counts.length, 12); across += 1) {
      var most = Math.max.apply(null, counts), lines = Math.ceil(counts.length / across);
      for (var columns = 1; columns <= most; columns += 1) {
        var rows = 0, left = high - EDGE_PX * lines;
        for (var first = 0; first < counts.length; first += across) {
          rows += Math.ceil(Math.max.apply(null, counts.slice(first, first + across)) / columns);
        }
        var size = Math.min(((wide - 6 * (across - 1)) / across - TITLE_PX) / columns / WIDE, left / rows / HIGH, LARGEST_PX);
        if (size > best.size) { best = chosen("", size, across, columns, rows, left, []); }
      }
    }
    return best;
  }

  function inRun(counts) {
    var wide = racks.clientWidth - 10, high = room() - EDGE_PX, best = { size: 0 };
    for (var columns = CARD + 1; columns <= 40 * CARD; columns += 1) {
      var laid = lay(counts, columns, Infinity), rows = laid[0].rows;
      var size = Math.min(wide / columns * CARD / WIDE, high / rows / HIGH, LARGEST_PX);
      if (size > best.size) { best = chosen("run", size, 1, columns, rows, high, laid); }
    }
    return best;
  }

  function inPages(counts) {
    var wide = racks.clientWidth - 10, high = room() - EDGE_PX, smallest = smallestPx();
    var columns = Math.max(CARD + 1, Math.floor(wide / (smallest * WIDE) * CARD)), rows = Math.max(1, Math.floor(high / (smallest * HIGH)));
    return chosen("run", Math.min(wide / columns * CARD / WIDE, high / rows / HIGH), 1, columns, rows, high, lay(counts, columns, rows));
  }

  /* Which cards stand on which page, and which racks begin a row there: a name never stands alone at the end of one. */
  function lay(counts, columns, rows) {
    var list = [], at = 0, page, used;
    function open() { page = { from: at, to: at, rows: 1, begins: {} }; used = 0; list.push(page); }
    open();
    counts.forEach(function (number, rack) {
      var name = 1;
      for (; number > 0; number -= 1) {
        if (used + name + CARD > columns) {
          if (page.rows === rows) { open(); name = 1; } else { page.rows += 1; used = 0; }
          page.begins[rack] = page.begins[rack] || name === 1;
        }
        used += name + CARD; name = 0; at += 1; page.to = at;
      }
    });
    return list;
  }

  function turn(step) {
    var cards = racks.querySelectorAll(".card");
    shown = pages.length ? (shown + step + pages.length) % pages.length : 0;
    var page = pages[shown] || { from: 0, to: cards.length, begins: {} };
    cards.forEach(function (card, number) { card.hidden = number < page.from || number >= page.to; });
    racks.querySelectorAll(".rack").forEach(function (rack, number) {
      rack.hidden = !rack.querySelector(".card:not([hidden])");
      rack.firstElementChild.style.gridColumnStart = page.begins[number] ? "1" : "";
    });
    pager.textContent = pages.length > 1 ? (shown + 1) + " / " + pages.length : "";
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
