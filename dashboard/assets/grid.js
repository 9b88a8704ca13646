/* A grid of nests or placements: cells to edit, blocks to paste, all rows checked and saved together. Tabulator draws it and
   knows the selected range; this file knows which rows are changed, what a paste means, and what the station said. */
(function () {
  "use strict";
  var part = document.querySelector("[data-grid]");
  if (!part) { return; }
  var table = part.dataset.grid, words = JSON.parse(part.dataset.words), SPARE = 3;
  var mayWrite = Boolean(document.querySelector('meta[name="write-token"]')) && Boolean(part.querySelector(".grid-tools"));
  var holder = part.querySelector(".grid"), says = part.querySelector(".grid-says"), list = part.querySelector(".grid-problems");
  var columns = [], key = "", mark = "", grid = null, nextId = 1;

  function say(line) { if (says) { says.textContent = line; } else if (line) { holder.textContent = line; } }

  /* --- rows: {id, was: text by column as loaded or null, bad: problem by column, over, and the text by column --- */
  function blankRow() {
    var row = { id: nextId++, was: null, bad: {}, over: false };
    columns.forEach(function (name) { row[name] = ""; });
    return row;
  }
  function loadedRow(cells, over) {
    var row = blankRow();
    row.was = {};
    columns.forEach(function (name, at) { row[name] = row.was[name] = cells[at]; });
    row.over = over;
    return row;
  }
  function text(value) { return value === null || value === undefined ? "" : String(value).trim(); }
  function isBlank(row) { return columns.every(function (name) { return text(row[name]) === ""; }); }
  function isChanged(row) {
    if (!row.was) { return !isBlank(row); }
    return columns.some(function (name) { return text(row[name]) !== row.was[name]; });
  }
  function shown() { return grid.getRows("active"); }
  function changedRows() { return shown().filter(function (row) { return isChanged(row.getData()); }); }

  function tell() {
    if (!mayWrite) { return; }
    var count = changedRows().length;
    say(count ? words.changed.replace("{count}", count + (count === 1 ? " row" : " rows")) : words.unchanged);
  }
  function touched(row) {
    row.getData().bad = {};
    row.reformat();
  }
  function keepSpare() {
    if (!mayWrite) { return Promise.resolve(); }
    var spare = shown().filter(function (row) { return !row.getData().was && isBlank(row.getData()); }).length;
    var rows = [];
    for (; spare < SPARE; spare++) { rows.push(blankRow()); }
    return rows.length ? grid.addData(rows, false) : Promise.resolve();
  }

  /* --- drawing --- */
  function drawn(cell) {
    var row = cell.getData(), name = cell.getField(), element = cell.getElement(), value = text(cell.getValue());
    element.classList.toggle("bad", Boolean(row.bad[name]));
    element.classList.toggle("changed", row.was ? value !== row.was[name] : value !== "");
    element.title = row.bad[name] || "";
    var span = document.createElement("span");
    span.textContent = value;
    return span;
  }
  function drawnRow(row) {
    var found = row.getData(), bad = Object.keys(found.bad).length > 0;
    row.getElement().classList.toggle("over", found.over);
    row.getElement().classList.toggle("bad-row", bad);
  }
  function inOrder(one, other, oneRow, otherRow, column, direction) {
    var ones = Boolean(oneRow.getData().was), others = Boolean(otherRow.getData().was);
    if (ones !== others) { return (ones ? -1 : 1) * (direction === "asc" ? 1 : -1); }
    return text(one).localeCompare(text(other), undefined, { numeric: true, sensitivity: "base" });
  }
  function mayEdit(cell) { return mayWrite && !(cell.getField() === key && cell.getData().was); }
  function columnOf(name, found) {
    var wide = { since: 225, until: 225, species: 190, nest: 120, probe: 150, colony: 130 }[name] || 110;
    var hinted = found.choices[name] || found.hints[name];
    return {
      title: name, field: name, minWidth: wide, formatter: drawn, sorter: inOrder,
      editor: "input", editable: mayEdit, headerTooltip: false,
      editorParams: { elementAttributes: hinted ? { list: "hint-" + name, "aria-label": name } : { "aria-label": name }, selectContents: true }
    };
  }
  function hints(found) {
    columns.forEach(function (name) {
      var hinted = found.choices[name] || found.hints[name], old = document.getElementById("hint-" + name);
      if (old) { old.remove(); }
      if (!hinted) { return; }
      var menu = document.createElement("datalist");
      menu.id = "hint-" + name;
      hinted.forEach(function (word) { if (word) { menu.appendChild(new Option(word, word)); } });
      part.appendChild(menu);
    });
  }

  function rowsOf(found) {
    var over = new Set(found.over);
    var rows = found.rows.map(function (cells) { return loadedRow(cells, over.has(cells[0])); });
    for (var spare = 0; mayWrite && spare < SPARE; spare++) { rows.push(blankRow()); }
    return rows;
  }
  function fetched() {
    return fetch("/grid/" + table + ".json", { cache: "no-store" }).then(function (answer) {
      if (!answer.ok) { throw new Error(answer.status); }
      return answer.json();
    });
  }
  function load() {
    return fetched().then(function (found) {
      columns = found.columns; key = columns[0]; mark = found.mark;
      hints(found);
      return grid ? grid.setData(rowsOf(found)) : build(found);
    }).then(function () { problems([]); tell(); });
  }
  /* The number of a row, and on a narrow screen its name, which stays while the rest moves aside. */
  var narrow = window.matchMedia("(max-width: 1300px)").matches;
  function numbered(cell) {
    var row = cell.getRow(), was = cell.getData().was, span = document.createElement("span");
    row.watchPosition(function (number) { span.textContent = number + (narrow && was ? " " + was[key] : ""); });
    return span;
  }
  function build(found) {
    return new Promise(function (done) {
      grid = new Tabulator(holder, {
        data: rowsOf(found), index: "id", columns: columns.map(function (name) { return columnOf(name, found); }),
        layout: "fitDataFill", maxHeight: "68vh", rowFormatter: drawnRow, headerSortTristate: true,
        rowHeader: { formatter: numbered, width: narrow ? 108 : 44, headerSort: false, resizable: false, frozen: true, cssClass: "row-number" },
        selectableRange: 1, selectableRangeColumns: false, selectableRangeRows: true, selectableRangeClearCells: mayWrite, selectableRangeAutoFocus: false,
        editTriggerEvent: window.matchMedia("(pointer: coarse)").matches ? "click" : "dblclick",
        clipboard: "copy", clipboardCopyStyled: false, clipboardCopyRowRange: "range",
        clipboardCopyConfig: { rowHeaders: false, columnHeaders: false },
        columnDefaults: { resizable: "header" }
      });
      grid.on("cellEdited", function (cell) {
        var row = cell.getRow(), was = cell.getData().was;
        if (was && cell.getField() === key && text(cell.getValue()) !== was[key]) {
          cell.setValue(was[key]);
          say(words.keeps);
          return;
        }
        touched(row);
        keepSpare().then(tell);
      });
      grid.on("cellEditing", function (cell) { cell.getElement().removeAttribute("tabindex"); });  // the field in it takes the focus
      grid.on("tableBuilt", function () {
        holder.querySelector(".tabulator-header").removeAttribute("tabindex");  // one stop for Tab is enough: the cells
        holder.querySelector(".tabulator-tableholder").setAttribute("role", "rowgroup");  // what takes the focus is part of the grid
        holder.querySelector(".tabulator-table").setAttribute("role", "presentation");
        holder.setAttribute("aria-label", part.getAttribute("aria-label"));
        done();
      });
    });
  }

  /* Tab goes from cell to cell, as in a spreadsheet; Escape is the way out. */
  holder.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && event.target.tagName !== "INPUT") { (part.querySelector(".main") || document.querySelector(".ways a")).focus(); }
  });

  holder.addEventListener("keydown", function (event) {  // what a click on a column's name does
    var direction = event.altKey && { ArrowUp: "asc", ArrowDown: "desc" }[event.key], range = grid && grid.getRanges()[0];
    if (!direction || !range || event.target.tagName === "INPUT") { return; }
    event.preventDefault(); event.stopPropagation();
    grid.setSort(range.getColumns()[0].getField(), direction);
  }, true);

  /* --- paste --- */
  function split(line, sign) {
    var cells = [], rest = line, found;
    while (rest !== null) {
      found = /^"((?:[^"]|"")*)"/.exec(rest);
      if (found && (rest.length === found[0].length || rest[found[0].length] === sign)) {
        cells.push(found[1].replace(/""/g, '"'));
        rest = rest.length > found[0].length ? rest.slice(found[0].length + 1) : null;
      } else {
        var end = rest.indexOf(sign);
        cells.push(end < 0 ? rest : rest.slice(0, end));
        rest = end < 0 ? null : rest.slice(end + 1);
      }
    }
    return cells.map(function (cell) { return cell.trim(); });
  }
  function isHeader(cells) {
    return cells.every(function (name) { return columns.indexOf(name) >= 0; }) && (cells.length > 1 || cells[0] === key);
  }
  function parsed(pasted, firstColumn) {
    var lines = pasted.replace(/^\ufeff/, "").replace(/\r\n?/g, "\n").replace(/\n+$/, "").split("\n");
    var commas = lines[0].indexOf("\t") < 0 && isHeader(split(lines[0], ",")) && lines[0].indexOf(",") > 0;
    var rows = lines.map(function (line) { return split(line, commas ? "," : "\t"); });
    var names = columns.slice(columns.indexOf(firstColumn));
    if (isHeader(rows[0])) { names = rows.shift(); }
    return rows.map(function (cells) {
      var found = {};
      names.forEach(function (name, at) { if (at < cells.length) { found[name] = cells[at]; } });
      return found;
    });
  }
  function sameInstant(one, other) { return one === other || (one && other && Date.parse(one) === Date.parse(other)); }
  /* The row that a pasted line means: a noted nest or probe by its name, wherever it stands; else the place it falls on. */
  function target(cells, place) {
    var name = cells[key];
    if (name) {
      var known = shown().filter(function (row) { var was = row.getData().was; return was && was[key] === name; });
      var since = cells.since ? known.filter(function (row) { return sameInstant(row.getData().was.since, cells.since); }) : known;
      if (since.length) { return since[0]; }
    }
    return place && !(name && place.getData().was) ? place : null;
  }
  function fill(block, cells) {
    block.forEach(function (row) {
      var change = {};
      row.forEach(function (cell) { if (mayEdit(cell)) { change[cell.getField()] = cells; } });
      var component = row[0].getRow();
      component.update(change).then(function () { touched(component); });
    });
  }
  function put(rows, start) {
    var places = shown(), taken = new Set(), fresh = [], free;
    rows.forEach(function (cells, at) {
      if (Object.keys(cells).every(function (name) { return cells[name] === ""; })) { return; }
      var row = target(cells, places[start + at] || null);
      if (!row) {
        free = places.find(function (one) { return !taken.has(one) && !one.getData().was && isBlank(one.getData()); });
        row = free || null;
      }
      if (!row) { fresh.push(Object.assign(blankRow(), cells)); return; }
      taken.add(row);
      if (row.getData().was) { cells = Object.assign({}, cells); delete cells[key]; }
      row.update(cells).then(function () { touched(row); });
    });
    return fresh.length ? grid.addData(fresh, false) : Promise.resolve();
  }
  document.addEventListener("paste", function (event) {
    var at = document.activeElement, range = grid && grid.getRanges()[0];
    if (!mayWrite || !range || !holder.contains(at) || /^(INPUT|TEXTAREA|SELECT)$/.test(at.tagName)) { return; }
    var pasted = event.clipboardData.getData("text/plain"), block = range.getStructuredCells();
    if (!pasted || !block.length || !block[0].length) { return; }
    event.preventDefault();
    var first = block[0].find(function (cell) { return columns.indexOf(cell.getField()) >= 0; });
    var many = block.length > 1 || block[0].length > 1;
    if (many && !/[\t\n]/.test(pasted.replace(/\s+$/, ""))) { fill(block, pasted.trim()); setTimeout(tell, 0); return; }
    var field = first ? first.getField() : key, start = shown().indexOf(block[0][0].getRow());
    put(parsed(pasted, field), start).then(keepSpare).then(tell);
  });

  /* --- saving --- */
  function problems(lines) {
    list.textContent = "";
    list.hidden = !lines.length;
    lines.forEach(function (line) {
      var item = document.createElement("li"), found = /^row (\d+): (\w+)?/.exec(line), row = found && shown()[Number(found[1]) - 1];
      if (row) {
        var button = document.createElement("button");
        button.type = "button"; button.textContent = line;
        button.addEventListener("click", function () { grid.scrollToRow(row, "center", false).then(function () { row.getCells()[1].getElement().click(); }); });
        item.appendChild(button);
        row.getData().bad[columns.indexOf(found[2]) >= 0 ? found[2] : key] = line;
        row.reformat();
      } else { item.textContent = line; }
      list.appendChild(item);
    });
  }
  function sent(row) {
    var cells = { row: shown().indexOf(row) + 1 }, found = row.getData();
    columns.forEach(function (name) { if (text(found[name])) { cells[name] = text(found[name]); } });
    return cells;
  }
  function again(mine) {
    return load().then(function () {
      mine.forEach(function (edited) {
        var change = {}, was = edited.was || {};
        columns.forEach(function (name) { if (text(edited[name]) !== (was[name] || "")) { change[name] = text(edited[name]); } });
        var row = edited.was && shown().find(function (one) { var now = one.getData().was; return now && now[key] === was[key]; });
        if (row) { row.update(change).then(function () { touched(row); }); } else { put([change], -1); }
      });
      say(words.meanwhile);
    });
  }
  function save() {
    var changed = changedRows(), mine = changed.map(function (row) { return Object.assign({}, row.getData()); });
    if (!changed.length) { say(words.unchanged); return; }
    changed.forEach(touched);
    var holds = part.querySelector("input[name=holds]:checked").value;
    window.nestWrite("/write/" + table, { rows: changed.map(sent), mark: mark, holds: holds }).then(function (answer) {
      return load().then(function () { say([answer.text].concat(answer.notes).join(" ")); });
    }).catch(function (found) {
      var lines = Array.isArray(found) ? found : [String(found)];
      document.getElementById("notice").textContent = lines[0];
      if (found.status === 409) { again(mine); return; }
      problems(lines);
      say(lines[0]);
    });
  }
  function endNow() {
    var range = grid.getRanges()[0], rows = range ? range.getRows() : [];
    rows.forEach(function (row) {
      if (row.getData().was) { row.update({ until: "now" }).then(function () { touched(row); tell(); }); }
    });
  }
  var tools = part.querySelector(".grid-tools");
  if (tools) {
    tools.addEventListener("submit", function (event) { event.preventDefault(); save(); });
    tools.addEventListener("click", function (event) {
      var does = event.target.closest("[data-do]");
      if (!does) { return; }
      if (does.dataset.do === "add") { grid.addRow(blankRow(), false).then(function (row) { grid.scrollToRow(row, "bottom", false); row.getCells()[1].getElement().click(); }); }
      if (does.dataset.do === "undo") { load(); }
      if (does.dataset.do === "ends") { endNow(); }
    });
    window.addEventListener("beforeunload", function (event) { if (grid && changedRows().length) { event.preventDefault(); } });
  }

  /* A link from the page of probes brings the probe along. */
  function brought() {
    var probe = new URLSearchParams(location.search).get("probe");
    if (!probe || !mayWrite || key !== "probe") { return; }
    var row = shown().find(function (one) { return one.getData().probe === probe; }) || shown().find(function (one) { return isBlank(one.getData()); });
    var change = row.getData().was ? {} : { probe: probe, since: "now" };
    row.update(change).then(function () { touched(row); tell(); return grid.scrollToRow(row, "center", false); })
      .then(function () { row.getCells()[2].getElement().click(); });
  }
  function jumped() {
    var there = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (there) { there.scrollIntoView(); }  // the rows above it came later than the page
  }
  load().then(brought).then(jumped).catch(function () { say(words.failed); });
})();
