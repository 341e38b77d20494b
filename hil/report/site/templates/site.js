// Filter of lists, the cursor of a trend, and folds that open for paper.
(function () {
  "use strict";

  function filter(field) {
    var lines = Array.prototype.slice.call(document.querySelectorAll("[data-search]"));
    var told = document.getElementById("shown");
    field.addEventListener("input", function () {
      var wanted = field.value.toLowerCase().split(/\s+/).filter(Boolean), shown = 0;
      lines.forEach(function (line) {
        line.hidden = !wanted.every(function (word) { return line.dataset.search.indexOf(word) >= 0; });
        shown += line.hidden ? 0 : 1;
      });
      told.textContent = wanted.length ? shown + " of " + lines.length + " " + told.dataset.what : "";
    });
  }

  // The slider goes from the oldest run to the newest, the table the other way round.
  function trend(figure) {
    var rows = Array.prototype.slice.call(document.querySelectorAll(".figures tbody tr")).reverse();
    var runs = Number(figure.dataset.runs), slider = document.getElementById("look");
    var plot = figure.querySelector(".plot"), cursor = figure.querySelector(".cursor");
    var at = figure.dataset.at ? figure.dataset.at.split(" ").map(Number) : rows.map(function (row, n) { return n; });
    if (!rows.length) { return; }

    function place(n) { return (at[n] + 0.5) / runs; }

    function show() {
      var row = rows[slider.value], before = document.querySelector(".figures tr.now");
      if (before) { before.classList.remove("now"); }
      row.classList.add("now");
      cursor.hidden = false;
      cursor.style.left = 100 * place(Number(slider.value)) + "%";
      var words = Array.prototype.map.call(row.cells, function (cell) { return cell.textContent.trim(); });
      document.getElementById("seen").textContent = words.join("  \u00b7  ");
      slider.setAttribute("aria-valuetext", words.join(", "));
    }

    slider.max = rows.length - 1;
    slider.value = rows.length - 1;
    figure.querySelector(".look").hidden = false;
    slider.addEventListener("input", show);
    function point(event) {
      var box = plot.getBoundingClientRect(), where = (event.clientX - box.left) / box.width, best = 0;
      rows.forEach(function (row, n) {
        if (Math.abs(place(n) - where) < Math.abs(place(best) - where)) { best = n; }
      });
      slider.value = best;
      show();
    }
    plot.addEventListener("pointerdown", point);
    plot.addEventListener("pointermove", function (event) { if (event.pointerType === "mouse") { point(event); } });
  }

  document.addEventListener("DOMContentLoaded", function () {
    document.querySelectorAll(".tools").forEach(function (box) { box.hidden = false; });
    var field = document.getElementById("filter"), figure = document.querySelector("figure.trend");
    if (field) { filter(field); }
    if (figure) { trend(figure); }
  });

  var folded = [];
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details:not([open])").forEach(function (node) { folded.push(node); node.open = true; });
  });
  window.addEventListener("afterprint", function () {
    folded.forEach(function (node) { node.open = false; });
    folded = [];
  });
})();
