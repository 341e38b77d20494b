// Two traces of one item over each other, each at its own time from one mark that both have.
// Data comes as scripts that call hand(name, value): files next to a page cannot be read otherwise.
var hand;
(function () {
  "use strict";
  var given = {}, waiting = {}, runs = [], ONSETS = ["command", "reverse", "brake-on", "set-point"];

  hand = function (name, value) {
    given[name] = value;
    if (name === "runs") { runs = value; }
    (waiting[name] || []).forEach(function (done) { done(value); });
    delete waiting[name];
  };

  function need(name, file, done) {
    if (name in given) { done(given[name]); return; }
    if (waiting[name]) { waiting[name].push(done); return; }
    waiting[name] = [done];
    var script = document.createElement("script");
    script.src = file;
    script.onerror = function () {
      delete waiting[name];
      tell("The data of this comparison are not in the site: " + file);
    };
    document.head.appendChild(script);
  }

  function node(name, words, attributes) {
    var made = document.createElement(name);
    if (words !== undefined && words !== "") { made.textContent = words; }
    Object.keys(attributes || {}).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    return made;
  }

  function byId(name) { return document.getElementById(name); }
  function tell(words) { byId("told").textContent = words; }
  function of(run) { return runs.filter(function (one) { return one.run === run; })[0]; }
  function title(one) { return one.night + (one.build ? ", build " + one.build : ""); }
  function round(value, digits) { return String(Number(value.toPrecision(digits || 3))); }

  function fill(select, options, wanted) {
    select.replaceChildren.apply(select, options.map(function (one) { return node("option", one[1], { value: one[0] }); }));
    if (options.some(function (one) { return one[0] === wanted; })) { select.value = wanted; }
  }

  // The same rig and kind of evidence, earlier than it, newest first; runs come in the order of time.
  function earlier(run) {
    return runs.slice(0, runs.indexOf(run)).filter(function (one) {
      return one.rig === run.rig && one.simulated === run.simulated;
    }).reverse();
  }

  function shared(a, b) {
    return Object.keys(b.items).filter(function (item) { return item in a.items; });
  }

  // The newest earlier run that an item can be compared with, if there is one.
  function rival(run) {
    return earlier(run).filter(function (one) { return shared(one, run).length; })[0];
  }

  function chooseAgainst(wanted) {
    var b = of(byId("run-b").value), others = earlier(b), best = rival(b);
    fill(byId("run-a"), others.map(function (one) { return [one.run, title(one) + (one.good ? ", good" : "")]; }),
      wanted || (best ? best.run : ""));
    byId("before").disabled = !others.length;
    byId("good").disabled = !others.some(function (one) { return one.good; });
    chooseItem(byId("item").value);
  }

  function chooseItem(wanted) {
    var a = of(byId("run-a").value), b = of(byId("run-b").value);
    fill(byId("item"), a ? shared(a, b).map(function (item) { return [item, item]; }) : [], wanted);
    chooseRepeat();
  }

  function chooseRepeat() {
    var a = of(byId("run-a").value), b = of(byId("run-b").value), item = byId("item").value, all = [];
    var most = a && item ? Math.min(a.items[item][1], b.items[item][1]) : 0;
    for (var n = 1; n <= most; n++) { all.push([String(n), String(n)]); }
    fill(byId("repeat"), all, "1");
    load();
  }

  function load() {
    var a = of(byId("run-a").value), b = of(byId("run-b").value), item = byId("item").value, repeat = byId("repeat").value;
    byId("panels").replaceChildren();
    byId("tables").replaceChildren();
    byId("keys").hidden = true;
    byId("stamp").hidden = !b.simulated;
    if (!a) { tell("There is no earlier run of this rig with traces in the site."); return; }
    if (!item) { tell("The two runs have no item with a trace in common."); return; }
    tell("Loading\u2026");
    location.replace("#a=" + encodeURIComponent(a.run) + "&b=" + encodeURIComponent(b.run) + "&item=" + encodeURIComponent(item));
    function trace(run, done) {
      need("trace " + run.run + " " + item + " " + repeat, "traces/" + run.folder + "/" + run.items[item][0] + "." + repeat + ".js", done);
    }
    trace(a, function (first) { trace(b, function (second) {
      var names = first.marks.map(function (mark) { return mark[0]; });
      var both = second.marks.map(function (mark) { return mark[0]; }).filter(function (name, n, all) {
        return names.indexOf(name) >= 0 && all.indexOf(name) === n;
      });
      var preferred = ONSETS.filter(function (name) { return both.indexOf(name) >= 0; })[0];
      fill(byId("mark"), [["", "start of the trace"]].concat(both.map(function (name) { return [name, name]; })),
        preferred || byId("mark").value);
      byId("from").value = byId("to").value = "";
      draw(a, b, first, second);
    }); });
  }

  function at(trace, name) {
    var found = trace.marks.filter(function (mark) { return mark[0] === name; })[0];
    return found ? found[1] : 0;
  }

  function draw(a, b, first, second) {
    var mark = byId("mark").value, zero = [at(first, mark), at(second, mark)];
    var low = Math.min(-zero[0], -zero[1]), high = Math.max(first.end - zero[0], second.end - zero[1]);
    var from = byId("from").value === "" ? low : Number(byId("from").value);
    var to = byId("to").value === "" ? high : Number(byId("to").value);
    var problem = first.problem || second.problem;
    byId("panels").replaceChildren();
    if (problem || !(to > from)) { tell(problem || "The window ends before it begins."); return; }
    tell(byId("item").value + (mark ? ", aligned on " + mark : "") + ": " + round(from) + " to " + round(to) + " s");
    byId("keys").hidden = false;
    byId("key-b").textContent = title(b) + " (dashed)";
    byId("key-a").textContent = title(a) + " (solid)";
    second.panels.forEach(function (panel) {
      var other = first.panels.filter(function (one) { return one.title === panel.title; })[0];
      if (other) { byId("panels").appendChild(figure(panel, [other, panel], [first, second], zero, from, to)); }
    });
    tables(a, b, first, second, zero);
  }

  var SVG = "http://www.w3.org/2000/svg";
  function shape(name, attributes) {
    var made = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    return made;
  }

  // One picture a quantity; each source of it (firmware, instrument) is one pair of lines.
  function figure(panel, two, traces, zero, from, to) {
    var lines = [], sources = {}, low, high;
    two.forEach(function (one, which) {
      one.series.forEach(function (series) {
        var t = unpack(series.t, 0, traces[which].end), y = unpack(series.y, one.range[0], one.range[1]);
        sources[series.name] = true;
        t = t.map(function (value) { return value - zero[which]; });
        lines.push({ which: which, name: series.name, t: t, y: y });
      });
    });
    var box = node("div", "", { class: "panel" });
    var names = Object.keys(sources), pick = node("select", "", { "aria-label": panel.title + ": source" });
    fill(pick, names.map(function (name) { return [name, name]; }), names.indexOf("tachometer") >= 0 ? "tachometer" : names[0]);
    var top = node("div", "", { class: "panel-head" });
    top.appendChild(node("h2", panel.title + " in " + panel.unit));
    if (names.length > 1) { top.appendChild(pick); }
    box.appendChild(top);
    var plot = node("div", "", { class: "plot" });
    function x(t) { return 1000 * (t - from) / (to - from); }
    function y(v) { return 1000 * (high - v) / (high - low); }
    // From the least to the most of the source shown, within the window; never less than `least`.
    function scale(shown) {
      low = Infinity; high = -Infinity;
      shown.forEach(function (line) {
        line.y.forEach(function (value, n) {
          if (value !== null && line.t[n] >= from && line.t[n] <= to) { low = Math.min(low, value); high = Math.max(high, value); }
        });
      });
      if (low > high) { low = 0; high = 1; }
      var lack = Math.max(0, panel.least - (high - low)) / 2;
      low -= lack; high += lack;
      var room = 0.05 * (high - low) || 0.05 * Math.abs(high) || 0.5;
      low -= room; high += room;
    }
    function show() {
      var shown = lines.filter(function (line) { return line.name === pick.value; });
      scale(shown);
      var svg = shape("svg", { viewBox: "0 0 1000 1000", preserveAspectRatio: "none", role: "img",
        "aria-label": panel.title + " of both runs (" + pick.value + "), " + round(low) + " to " + round(high) + " " + panel.unit });
      if (from < 0 && to > 0) { svg.appendChild(shape("path", { class: "ov-mark", d: "M" + x(0) + " 0V1000" })); }
      shown.forEach(function (line) {
        var path = "", down = false;
        line.t.forEach(function (t, n) {
          if (line.y[n] === null || t < from || t > to) { down = false; return; }
          path += (down ? "L" : "M") + x(t).toFixed(1) + " " + y(line.y[n]).toFixed(1);
          down = true;
        });
        svg.appendChild(shape("path", { class: line.which ? "ov-b" : "ov-a", d: path }));
      });
      plot.replaceChildren(svg);
      steps(low, high, 4).forEach(function (v, n, all) {
        var tick = node("span", told(v, all), { class: "tick", "aria-hidden": "true" });
        tick.style.top = y(v) / 10 + "%";
        plot.appendChild(tick);
      });
    }
    pick.addEventListener("change", show);
    show();
    box.appendChild(plot);
    var axis = node("div", "", { class: "names", "aria-hidden": "true" });
    steps(from, to, 6).forEach(function (t, n, all) {
      var tick = node("span", told(t, all) + " s");
      tick.style.left = Math.min(96, Math.max(4, x(t) / 10)) + "%";
      axis.appendChild(tick);
    });
    box.appendChild(axis);
    return box;
  }

  function steps(low, high, most) {
    var rough = (high - low) / most, power = Math.pow(10, Math.floor(Math.log10(rough)));
    var step = [1, 2, 5, 10].map(function (f) { return f * power; }).filter(function (s) { return s >= rough * 0.999; })[0];
    var found = [];
    for (var n = Math.ceil(low / step); n * step <= high; n++) { found.push(n * step); }
    return found;
  }

  // A tick with the decimals that their step needs, so that no two read alike.
  function told(value, ticks) {
    if (ticks.length < 2) { return round(value); }
    var step = ticks[1] - ticks[0], decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-6));
    return value.toFixed(Math.min(decimals, 20));
  }

  function table(caption, heads, rows) {
    var made = node("table", "", { class: "figures" }), top = node("tr");
    made.appendChild(node("caption", caption));
    heads.forEach(function (head) { top.appendChild(node("th", head, { scope: "col" })); });
    made.appendChild(node("thead")).appendChild(top);
    var body = made.appendChild(node("tbody"));
    rows.forEach(function (row) {
      var line = body.appendChild(node("tr"));
      row.forEach(function (cell, n) {
        var linked = typeof cell === "object", made = node(n ? "td" : "th", linked ? "" : cell, n ? {} : { scope: "row" });
        if (linked) { made.appendChild(node("a", cell.words, { href: cell.link })); }
        line.appendChild(made);
      });
    });
    return made;
  }

  function tables(a, b, first, second, zero) {
    var places = {};
    [first, second].forEach(function (trace, which) {
      var seen = {};
      trace.marks.forEach(function (mark) {
        seen[mark[0]] = (seen[mark[0]] || 0) + 1;
        var name = mark[0] + (seen[mark[0]] > 1 ? " " + seen[mark[0]] : "");
        (places[name] = places[name] || [null, null])[which] = mark[1] - zero[which];
      });
    });
    function seconds(value) { return value === null ? "\u2013" : value.toFixed(3) + " s"; }
    var marks = table("Marks, from the mark they are aligned on", ["Mark", "Against", "Looked at", "Later by"],
      Object.keys(places).map(function (name) {
        var pair = places[name];
        return [name, seconds(pair[0]), seconds(pair[1]), pair[0] === null || pair[1] === null ? "\u2013" : seconds(pair[1] - pair[0])];
      }));
    var item = byId("item").value;
    need("measures " + a.run, "traces/" + a.folder + "/measures.js", function (before) {
      need("measures " + b.run, "traces/" + b.folder + "/measures.js", function (after) {
        if (byId("item").value !== item || byId("run-a").value !== a.run || byId("run-b").value !== b.run) { return; }
        var old = {};
        (before[item] || []).forEach(function (row) { old[row[0]] = row; });
        var rows = (after[item] || []).map(function (row) {
          var was = old[row[0]], unit = row[1] === "1" ? "" : " " + row[1];
          var value = function (one) { return !one || one[2] === null ? "no value" : round(one[2], 5) + unit + (one[3] ? " \u00b1 " + Number(one[3].toPrecision(2)) : ""); };
          var both = was && was[2] !== null && row[2] !== null;
          return [{ words: row[0], link: row[5] }, value(was), value(row), both ? (row[2] >= was[2] ? "+" : "") + round(row[2] - was[2]) + unit : "\u2013",
            (was && was[4] !== row[4] ? (was[4] || "no band") + " \u2192 " : "") + (row[4] || "no band")];
        });
        byId("tables").replaceChildren(table("Measures, of several repetitions the median", ["Measure", "Against", "Looked at", "Difference", "Verdict"], rows), marks);
      });
    });
  }

  function start() {
    var asked = {};
    location.hash.slice(1).split("&").forEach(function (part) {
      var pair = part.split("=");
      asked[pair[0]] = decodeURIComponent(pair[1] || "");
    });
    if (!runs.length) { tell("No run in this site has traces within reach."); return; }
    byId("choose").hidden = false;
    // Of all rigs the newest run first; what opens is the newest that can be compared.
    var newest = runs.slice().reverse().sort(function (one, other) { return one.night < other.night ? 1 : one.night > other.night ? -1 : 0; });
    var first = newest.filter(rival)[0];
    fill(byId("run-b"), newest.map(function (one) {
      return [one.run, title(one) + ", " + one.rig + (one.simulated ? ", SIMULATED" : "")];
    }), asked.b || (first ? first.run : ""));
    byId("item").replaceChildren(node("option", asked.item || "", { value: asked.item || "" }));
    chooseAgainst(asked.a);
  }

  function redraw() {
    var a = of(byId("run-a").value), b = of(byId("run-b").value), key = byId("item").value + " " + byId("repeat").value;
    var first = given["trace " + a.run + " " + key], second = given["trace " + b.run + " " + key];
    if (first && second) { draw(a, b, first, second); }
  }

  document.addEventListener("DOMContentLoaded", function () {
    byId("run-b").addEventListener("change", function () { chooseAgainst(""); });
    byId("run-a").addEventListener("change", function () { chooseItem(byId("item").value); });
    byId("item").addEventListener("change", chooseRepeat);
    byId("repeat").addEventListener("change", load);
    byId("mark").addEventListener("change", function () { byId("from").value = byId("to").value = ""; redraw(); });
    byId("from").addEventListener("change", redraw);
    byId("to").addEventListener("change", redraw);
    byId("before").addEventListener("click", function () { byId("run-a").value = earlier(of(byId("run-b").value))[0].run; chooseItem(byId("item").value); });
    byId("good").addEventListener("click", function () {
      byId("run-a").value = earlier(of(byId("run-b").value)).filter(function (one) { return one.good; })[0].run;
      chooseItem(byId("item").value);
    });
    start();
  });
})();
