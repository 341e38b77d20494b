(function () {
  "use strict";
  var PAPER = 660; // px, fits A4 and Letter between usual margins
  var items = Array.prototype.slice.call(document.querySelectorAll("details.item"));
  var lines = Array.prototype.slice.call(document.querySelectorAll("table.index tr[data-search]"));
  
  function colour(name) {
    return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
  }

  function axisName(letter, number) {
    return letter + (number ? String(number + 1) : "");
  }

  // Panels stand on top of each other over one time axis.
  function figure(data, narrow, tall) {
    var traces = [], shapes = [], notes = [], many = data.panels.length, gap = 0.09 / many, floor = 0.02 + gap;
    var layout = {
      margin: { l: narrow ? 44 : 62, r: 8, t: 22, b: 36 }, showlegend: false,
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", hovermode: "x",
      font: { color: colour("ink"), size: 12 }, height: 60 + tall * many, dragmode: narrow ? false : "zoom"
    };
    data.panels.forEach(function (panel, p) {
      var low = panel.range[0], high = panel.range[1], top = 1 - p / many, bottom = 1 - (p + 1) / many + gap + 0.02;
      var y = axisName("y", p), legend = [], least = Infinity, most = -Infinity;
      panel.series.forEach(function (series) {
        unpack(series.y, low, high).forEach(function (value) {
          if (value !== null) { least = Math.min(least, value); most = Math.max(most, value); }
        });
        traces.push({
          type: "scatter", mode: "lines", name: series.name, xaxis: "x", yaxis: y,
          x: unpack(series.t, 0, data.end), y: unpack(series.y, low, high), connectgaps: false,
          line: { color: colour(series.style), width: 1.6, dash: series.style },
          hovertemplate: "%{y:.5~g} " + panel.unit
        });
        legend.push("<span style='color:" + colour(series.style) + "'>" +
          { solid: "\u2501\u2501", dash: "\u2578\u2578", dot: "\u2026\u2026" }[series.style] + "</span> " + series.name);
      });
      layout["yaxis" + (p ? p + 1 : "")] = {
        domain: [Math.max(0, bottom), top - gap], title: narrow ? undefined : { text: panel.unit, standoff: 4 },
        gridcolor: colour("rule"), zerolinecolor: colour("soft"), linecolor: colour("soft"), fixedrange: narrow
      };
      if (most - least < panel.least) { // else noise and the last digit look like events
        layout["yaxis" + (p ? p + 1 : "")].range = [(least + most - 1.1 * panel.least) / 2, (least + most + 1.1 * panel.least) / 2];
      }
      notes.push({
        xref: "paper", x: 0, yref: "paper", y: top - gap, yanchor: "bottom", xanchor: "left", showarrow: false,
        text: "<b>" + panel.title + "</b> " + panel.unit + (narrow ? "<br>" : " &#160; ") + legend.join(" &#160; "),
        align: "left", font: { size: narrow ? 10 : 12 }
      });
      var raised = 0;
      panel.limits.forEach(function (limit) {
        var late = limit.level > 0.55 * data.end; // its label would leave the chart on the right
        var style = { color: colour("limit"), width: 1.4, dash: "longdashdot" };
        shapes.push(limit.across
          ? { type: "line", xref: "paper", x0: 0, x1: 1, yref: y, y0: limit.level, y1: limit.level, line: style }
          : { type: "line", xref: "x", x0: limit.level, x1: limit.level, yref: y + " domain", y0: 0, y1: 1, line: style });
        notes.push(limit.across
          ? { xref: "paper", x: 1, xanchor: "right", yref: y, y: limit.level, yanchor: "bottom", showarrow: false,
              text: escape(limit.label), font: { size: 10, color: colour("limit") }, bgcolor: colour("paper"), borderpad: 1 }
          : { xref: "x", x: limit.level, xanchor: late ? "right" : "left", yref: y + " domain", y: 0.06 + 0.18 * raised++, yanchor: "bottom", showarrow: false,
              text: escape(limit.label), font: { size: 10, color: colour("limit") }, bgcolor: colour("paper"), borderpad: 1 });
      });
    });
    var last = -1, level = 0;
    data.marks.forEach(function (t, i) {
      shapes.push({ type: "line", xref: "x", x0: t, x1: t, yref: "paper", y0: floor, y1: 1,
        line: { color: colour("mark"), width: 1, dash: "dot" } });
      level = t - last < data.end * 0.03 && last >= 0 ? level + 1 : 0;
      last = t;
      notes.push({ xref: "x", x: t, yref: "paper", y: floor, yanchor: "bottom", xanchor: "left", showarrow: false, borderpad: 1,
        yshift: 2 + 13 * level, text: "<b>" + (i + 1) + "</b>", font: { size: 10, color: colour("ink") }, bgcolor: colour("paper") });
    });
    layout.xaxis = { title: { text: "time in s", standoff: 4 }, range: [0, data.end], gridcolor: colour("rule"),
      linecolor: colour("soft"), anchor: axisName("y", many - 1), zeroline: false, fixedrange: narrow };
    layout.shapes = shapes;
    layout.annotations = notes;
    return { traces: traces, layout: layout };
  }

  // Labels come from files and are shown by a library that reads markup in them.
  function escape(text) {
    return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  }

  function draw(box, paper) {
    if (!window.Plotly || (box.dataset.drawn && !paper)) { return; }
    box.dataset.drawn = "yes";
    var data = JSON.parse(document.getElementById(box.dataset.chart).textContent);
    if (!data.panels.length) { return; }
    var shape = figure(data, box.clientWidth < 520, paper ? 105 : 165), place = document.createElement("div");
    if (paper) { shape.layout.width = PAPER; }
    if (box.dataset.drawn) { window.Plotly.purge(box.firstChild); }
    box.replaceChildren(place);
    window.Plotly.newPlot(place, shape.traces, shape.layout, 
      { displayModeBar: false, responsive: !paper });
  }

  function visible(box) {
    for (var up = box.parentElement; up; up = up.parentElement) {
      if (up.tagName === "DETAILS" && !up.open) { return false; }
    }
    return true;
  }

  var watcher = new IntersectionObserver(function (found) {
    found.forEach(function (entry) {
      if (entry.isIntersecting && visible(entry.target)) { draw(entry.target); watcher.unobserve(entry.target); }
    });
  }, { rootMargin: "400px" });

  function openTarget() {
    var target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.tagName === "DETAILS") { target.open = true; target.scrollIntoView(); }
  }

  function each(open) {
    items.forEach(function (item) { if (!item.hidden) { item.open = open; } });
  }

  function filter() {
    var wanted = document.getElementById("filter").value.toLowerCase().split(/\s+/).filter(Boolean);
    function fits(node) { return wanted.every(function (word) { return node.dataset.search.indexOf(word) >= 0; }); }
    items.forEach(function (item) { item.hidden = !fits(item); });
    var shown = 0;
    lines.forEach(function (line) { line.hidden = !fits(line); shown += line.hidden ? 0 : 1; });
    document.getElementById("shown").textContent = wanted.length ? shown + " of " + lines.length + " items" : "";
  }

  document.addEventListener("DOMContentLoaded", function () {
    document.querySelector(".tools").hidden = false;
    document.getElementById("filter").addEventListener("input", filter);
    document.getElementById("open-all").addEventListener("click", function () { each(true); });
    document.getElementById("close-all").addEventListener("click", function () { each(false); });
    document.querySelectorAll(".chart").forEach(function (box) { watcher.observe(box); });
    window.addEventListener("hashchange", openTarget);
    openTarget();
  });

  // Paper has its own width, and a chart should not be cut by the end of a page.
  var folded = [];
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (node) {
      if (!node.open) { folded.push(node); node.open = true; }
    });
    document.querySelectorAll(".chart").forEach(function (box) { draw(box, true); });
  });
  window.addEventListener("afterprint", function () {
    folded.forEach(function (node) { node.open = false; });
    folded = [];
    document.querySelectorAll(".chart").forEach(function (box) { delete box.dataset.drawn; watcher.observe(box); });
  });
})();
