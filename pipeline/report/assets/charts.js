// Draws the charts that the page carries as data: colours from the style sheet, one time axis for all, paper when printed.
"use strict";

(() => {
  const { linked, charts, marks } = JSON.parse(document.getElementById("chart-data").textContent);
  const plots = charts.map((chart) => ({ chart, box: document.getElementById(`chart-${chart.key}`) })).filter((p) => p.box);
  const root = document.documentElement;
  // A finger that moves over a chart scrolls the page; the buttons zoom.
  const isTouch = matchMedia("(pointer: coarse)").matches;

  // -- Colours: "@name" is looked up as the style sheet's --c-name --------------------------------------
  const resolved = (value, look) => {
    if (typeof value === "string") return value[0] === "@" ? look(value) : value;
    if (Array.isArray(value)) return typeof value[0] === "object" && value[0] !== null ? value.map((v) => resolved(v, look)) : value;
    if (value && typeof value === "object") return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, resolved(v, look)]));
    return value;
  };
  const palette = () => {
    const style = getComputedStyle(root), seen = new Map();
    return (name) => {
      if (!seen.has(name)) seen.set(name, style.getPropertyValue(`--c-${name.slice(1)}`).trim() || name);
      return seen.get(name);
    };
  };

  const themed = (chart, width) => {
    const look = palette(), narrow = width < 560;
    const traces = chart.traces.map((trace) => resolved({ ...trace, x: null, y: null, z: null, text: null }, look));
    traces.forEach((trace, i) => {
      for (const key of ["x", "y", "z", "text"]) {
        if (chart.traces[i][key] === undefined) delete trace[key];
        else trace[key] = chart.traces[i][key];
      }
      if (narrow && trace.marker?.size > 5) trace.marker.size *= 0.7;
      if (trace.colorscale) trace.colorscale = chart.traces[i].colorscale.map(([at, name]) => [at, look(name)]);
      if (trace.colorbar) Object.assign(trace.colorbar, narrow
        ? { orientation: "h", y: 1.02, yanchor: "bottom", thickness: 10, len: 1, title: { ...trace.colorbar.title, font: { size: 12 }, side: "top" }, tickfont: { size: 12 } }
        : { thickness: 12, len: 1, outlinewidth: 0, title: { ...trace.colorbar.title, font: { size: 12 }, side: "right" }, tickfont: { size: 12 } });
    });
    const dates = [
      { dtickrange: [null, 864e5 - 1], value: "%H:%M\n%-d %b" },
      { dtickrange: [864e5, "M1"], value: "%-d %b\n%Y" },
      { dtickrange: ["M1", null], value: "%b\n%Y" },
    ];
    const axis = {
      separatethousands: true, exponentformat: "none",
      gridcolor: look("@grid"), zerolinecolor: look("@slate"), zerolinewidth: 1, linecolor: look("@slate"),
      tickfont: { size: 12 }, title: { font: { size: 12 }, standoff: 8 },
    };
    const own = resolved(chart.layout, look);
    const layout = {
      ...own, width, height: chart.height + (narrow && own.barmode ? 150 : 0), font: { family: getComputedStyle(document.body).fontFamily, size: 13, color: look("@soft") },
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", margin: { l: narrow ? 58 : 74, r: narrow ? 8 : 16, t: chart.top ?? 26, b: 44 },
      separators: ".\u202f", hovermode: own.hovermode ?? (linked ? "x unified" : "closest"), dragmode: linked && !isTouch ? "zoom" : false, bargap: 0,
      hoverlabel: { bgcolor: look("@paper"), bordercolor: look("@slate"), font: { color: look("@ink"), size: 13 }, align: "left", namelength: 30 },
      legend: { orientation: "h", yref: "container", y: 0, yanchor: "bottom", x: 0, font: { size: 12 }, itemwidth: 30 },
      showlegend: chart.traces.filter((t) => t.showlegend !== false).length > 1 && chart.key !== "heat",
      modebar: { bgcolor: "rgba(0,0,0,0)", color: look("@slate"), activecolor: look("@ink") },
    };
    layout.xaxis = { ...axis, automargin: true, showgrid: false, ticks: "outside", tickcolor: look("@slate"), ...(chart.key === "scatter" ? {} : { type: "date", tickformatstops: dates }), ...(linked ? { hoverformat: "%a %-d %b %Y, %H:%M", showspikes: true, spikethickness: 1, spikedash: "dot", spikecolor: look("@slate"), spikemode: "across" } : {}), ...own.xaxis, title: { ...axis.title, ...own.xaxis?.title } };
    for (const name of Object.keys(own).filter((k) => k.startsWith("yaxis"))) {
      layout[name] = { ...axis, fixedrange: true, ...own[name], title: { ...axis.title, ...own[name].title } };
      if (own[name].domain) layout.xaxis.anchor = "y";
    }
    if (narrow) (layout.annotations ?? []).forEach((note, i) => { if (i < chart.windows?.length) note.text = note.text.split(" ")[0]; });
    return { traces, layout };
  };

  const config = {
    displaylogo: false, responsive: false, doubleClick: false, modeBarButtons: [["toImage"]],
    displayModeBar: matchMedia("(hover: hover)").matches ? "hover" : false,
    toImageButtonOptions: { format: "png", scale: 2 },
  };

  const widthOf = (box) => (root.classList.contains("printing") ? 672 : Math.floor(box.getBoundingClientRect().width));

  // -- One time axis for all ------------------------------------------------------------------------------
  const ends = (() => {
    let first = Infinity, last = -Infinity;
    if (linked) for (const { chart } of plots) for (const trace of chart.traces) {
      for (const x of [trace.x[0], trace.x[trace.x.length - 1]]) {
        const at = Date.parse(`${String(x).replace(" ", "T")}Z`);
        if (Number.isFinite(at)) { first = Math.min(first, at); last = Math.max(last, at); }
      }
    }
    return Number.isFinite(first) ? [first - 6e7, last + 6e7] : null;
  })();
  // Of the axis a little stays free beside the data; spans of days are counted back from the data's last instant.
  const last = ends && ends[1] - 6e7;
  let shown = ends, isMoving = false;
  // What the site wrote into its log stands at the foot of each chart, on a scale of its own.
  if (linked && marks) for (const { chart } of plots) {
    chart.traces.push({ type: "scatter", mode: "markers", ...marks, y: marks.x.map(() => 0.02), yaxis: "y7", hovertemplate: "%{text}", cliponaxis: false });
    chart.layout.yaxis7 = { overlaying: "y", range: [0, 1], visible: false, title: {} };
  }
  const stamp = (at) => new Date(at).toISOString().slice(0, 19).replace("T", " ");
  const instant = (x) => Date.parse(`${String(x).replace(" ", "T").slice(0, 19)}${/\d{2}:\d{2}/.test(x) ? "Z" : ""}`);

  // The y range that fits what is shown; bars that are stacked are added up first.
  const fitted = (chart, axis) => {
    let low = Infinity, high = -Infinity;
    const [least, most] = chart.bounds?.[axis] ?? [-Infinity, Infinity];
    const widen = (y) => { if (y >= least && y <= most) { low = Math.min(low, y); high = Math.max(high, y); } };
    const up = new Map(), down = new Map();
    for (const trace of chart.traces) {
      if ((trace.yaxis ?? "y") !== axis) continue;
      const isBar = trace.type === "bar";
      trace.at ??= trace.x.map((x) => Date.parse(`${String(x).replace(" ", "T")}Z`));
      trace.at.forEach((at, i) => {
        const y = trace.y[i];
        if (y === null || at < shown[0] || at > shown[1]) return;
        if (isBar) {
          const side = y < 0 ? down : up;
          side.set(at, (side.get(at) ?? 0) + y);
          low = Math.min(low, 0); high = Math.max(high, 0);
        } else widen(y);
      });
    }
    for (const y of [...up.values(), ...down.values()]) widen(y);
    if (!Number.isFinite(low)) return null;
    const pad = (high - low || Math.abs(high) || 1) * 0.07;
    return [low === 0 ? 0 : low - pad, high === 0 ? 0 : high + pad];
  };

  // A case's label stands where its span begins, or at the edge where it begins before what is shown.
  const labelled = (chart, notes) => notes.map((note, i) => {
    if (i >= chart.windows.length) return note;
    const [from, to] = chart.windows[i];
    return { ...note, x: stamp(Math.max(instant(from), shown[0])), visible: instant(from) < shown[1] && instant(to) > shown[0] };
  });

  const withRange = (chart, layout) => {
    if (!linked || !shown) return layout;
    layout.xaxis.range = shown.map(stamp);
    layout.xaxis.autorange = false;
    layout.annotations = chart.layout.annotations && labelled(chart, layout.annotations ?? chart.layout.annotations);
    for (const name of Object.keys(layout).filter((k) => k.startsWith("yaxis") && !chart.layout[k].range)) {
      const range = fitted(chart, name.replace("axis", ""));
      if (range && chart.key !== "meters") { layout[name].range = range; layout[name].autorange = false; }
    }
    return layout;
  };

  // The days that are shown stand in the two fields, and whoever listens is told the instants.
  const tell = () => {
    const days = [shown[0], Math.max(shown[1] - 1, shown[0])].map((at) => stamp(at).slice(0, 10));
    document.querySelectorAll("input[data-edge]").forEach((field) => { field.value = days[field.dataset.edge === "from" ? 0 : 1]; });
    root.dispatchEvent(new CustomEvent("shown", { detail: { from: stamp(shown[0]), to: stamp(shown[1]), days: (shown[1] - shown[0]) / 864e5 } }));
  };

  const move = async (range) => {
    if (!linked || !ends || isMoving) return;
    isMoving = true;
    shown = [Math.max(range[0], ends[0]), Math.min(range[1], ends[1])];
    if (shown[1] - shown[0] < 6e5) shown = [shown[0] - 3e5, shown[0] + 3e5];
    for (const button of document.querySelectorAll("button[data-days]")) {
      const days = button.dataset.days === "all" ? null : Number(button.dataset.days);
      const fits = days === null ? shown[0] === ends[0] && shown[1] === ends[1] : shown[1] === last && Math.abs(shown[1] - shown[0] - days * 864e5) < 1;
      button.setAttribute("aria-pressed", String(fits));
    }
    tell();
    for (const { chart, box } of plots) {
      if (!box.data) continue;
      const change = {};
      const layout = withRange(chart, { xaxis: {}, annotations: box.layout.annotations, ...Object.fromEntries(Object.keys(chart.layout).filter((k) => k.startsWith("yaxis")).map((k) => [k, {}])) });
      for (const name of Object.keys(layout)) if (layout[name]?.range) change[`${name}.range`] = layout[name].range;
      if (layout.annotations) change.annotations = layout.annotations;
      await Plotly.relayout(box, change);
    }
    isMoving = false;
  };

  // -- Drawing --------------------------------------------------------------------------------------------
  const follow = ({ chart, box }) => {
    box.on("plotly_relayout", (change) => {
      const from = change["xaxis.range[0]"], to = change["xaxis.range[1]"];
      if (linked && from !== undefined) move([from, to].map(instant));
    });
    box.on("plotly_doubleclick", () => move(ends));
    box.on("plotly_click", ({ points }) => {
      const links = chart.links ?? chart.traces[points[0].curveNumber].links;
      const href = links?.[chart.links ? points[0].y : points[0].pointNumber];
      if (href) location.href = href;
    });
    if (!linked) box.classList.add("clickable");
  };

  const draw = async (plot) => {
    const { traces, layout } = themed(plot.chart, widthOf(plot.box));
    const isNew = !plot.box.data;
    if (!isNew && !linked) traces.forEach((trace, i) => { if (trace.visible !== undefined) trace.visible = plot.box.data[i].visible; });
    await Plotly.react(plot.box, traces, withRange(plot.chart, layout), config);
    if (isNew) follow(plot);
  };
  const drawAgain = async () => {
    for (const plot of plots) if (plot.box.data) await draw(plot);
  };
  // A chart is drawn when it comes near what is shown; its room is kept free until then.
  const drawSeen = () => new Promise((done) => {
    for (const { chart, box } of plots) box.style.minHeight = `${chart.height}px`;
    const watcher = new IntersectionObserver(async (entries) => {
      const near = plots.filter((plot) => entries.some((entry) => entry.isIntersecting && entry.target === plot.box));
      for (const plot of near) {
        watcher.unobserve(plot.box);
        await draw(plot);
      }
      done();
    }, { rootMargin: "300px 0px" });
    plots.forEach((plot) => watcher.observe(plot.box));
    if (!plots.length) done();
  });

  // Only a change of width redraws: a phone's bars that come and go change the height alone.
  let width = root.clientWidth, timer = 0;
  window.addEventListener("resize", () => {
    if (root.clientWidth === width || root.classList.contains("printing")) return;
    width = root.clientWidth;
    clearTimeout(timer);
    timer = setTimeout(drawAgain, 150);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAgain);
  // At once, one after the other: the browser takes its picture as soon as this returns.
  const printing = (is) => {
    if (root.classList.contains("printing") === is) return;
    root.classList.toggle("printing", is);
    plots.forEach(draw);
  };
  window.addEventListener("beforeprint", () => printing(true));
  window.addEventListener("afterprint", () => printing(false));
  matchMedia("print").addEventListener("change", (event) => printing(event.matches));

  for (const button of document.querySelectorAll("button[data-days]")) {
    button.addEventListener("click", () => {
      const days = button.dataset.days;
      move(days === "all" ? ends : [last - Number(days) * 864e5, last]);
    });
  }
  for (const button of document.querySelectorAll("button[data-step]")) {
    button.addEventListener("click", () => {
      const length = shown[1] - shown[0];
      const from = Math.max(Math.min(shown[0] + Number(button.dataset.step) * length, ends[1] - length), ends[0]);
      move([from, from + length]);
    });
  }
  const edges = [...document.querySelectorAll("input[data-edge]")];
  for (const field of edges) {
    field.addEventListener("change", () => {
      const [from, to] = edges.map((one) => Date.parse(one.value));
      if (from <= to && to >= ends[0] - 864e5 && from <= ends[1]) move([from, to + 864e5]);
    });
  }
  for (const button of document.querySelectorAll("button[data-from]")) {
    button.addEventListener("click", () => {
      const [from, to] = [instant(button.dataset.from), instant(button.dataset.to)];
      const around = Math.max((to - from) * 0.25, 864e5);
      move([from - around, to + around]);
      document.getElementById("chart-section").scrollIntoView();
    });
  }
  for (const button of document.querySelectorAll("button[data-heat]")) {
    button.addEventListener("click", () => {
      const wanted = Number(button.dataset.heat), plot = plots.find((p) => p.chart.key === "heat");
      Plotly.restyle(plot.box, { visible: plot.chart.traces.map((_, i) => i === wanted) });
      for (const other of document.querySelectorAll("button[data-heat]")) other.setAttribute("aria-pressed", String(other === button));
    });
  }
  // The address may name a day of the day sheet: the charts then show it and the days on either side.
  const ofAddress = () => {
    const day = /^#day-(\d{4}-\d\d-\d\d)$/.exec(location.hash);
    if (!day || !linked || !ends) return;
    move([Date.parse(day[1]) - 864e5, Date.parse(day[1]) + 2 * 864e5]);
    if (!document.getElementById(location.hash.slice(1))) document.getElementById("chart-section").scrollIntoView();
  };
  window.addEventListener("hashchange", ofAddress);
  // A chart whose points come later is handed them by its key.
  root.addEventListener("filled", async ({ detail: { key, series } }) => {
    const plot = plots.find((one) => one.chart.key === key);
    plot.chart.traces.forEach((trace) => { if (trace.series) { Object.assign(trace, series[trace.series]); delete trace.at; } });
    if (plot.box.data) await draw(plot);
  });
  drawSeen().then(() => { root.dataset.charts = "drawn"; if (linked && ends) tell(); ofAddress(); });
})();
