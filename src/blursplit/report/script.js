"use strict";
// Puts an interactive chart in place of a still figure. Without this script, and on paper, the
// still figures remain. Texts go in as text nodes only.
(function () {
  const holder = document.getElementById("chart-data");
  if (!holder || typeof uPlot === "undefined") return;
  const charts = JSON.parse(holder.textContent);
  const live = [];

  const hue = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();

  function short(value) {
    if (value === null || value === undefined) return "–";
    const size = Math.abs(value);
    if (size !== 0 && (size < 1e-3 || size >= 1e5)) return value.toExponential(2);
    return String(Number(value.toPrecision(4)));
  }

  const raised = "⁰¹²³⁴⁵⁶⁷⁸⁹";
  function powerLabel(value) {
    const power = Math.round(Math.log10(value));
    if (Math.abs(value / 10 ** power - 1) > 1e-6) return "";
    if (power >= -2 && power <= 3) return String(Number(value.toPrecision(3)));
    return "10" + (power < 0 ? "⁻" : "") + [...String(Math.abs(power))].map((d) => raised[d]).join("");
  }

  function markPlugin(chart) {
    return {
      hooks: {
        drawClear: (u) => {
          const { ctx, bbox } = u;
          ctx.save();
          ctx.beginPath();
          ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
          ctx.clip();
          ctx.globalAlpha = 0.25;
          for (const band of chart.bands) {
            const at = (k, end) => [u.valToPos(band.x[k], "x", true), u.valToPos(end[k], "y", true)];
            ctx.beginPath();
            for (let k = 0; k < band.x.length; k++) ctx.lineTo(...at(k, band.high));
            for (let k = band.x.length - 1; k >= 0; k--) ctx.lineTo(...at(k, band.low));
            ctx.fillStyle = hue(band.colour);
            ctx.fill();
          }
          ctx.fillStyle = hue("tracking");
          for (const [start, stop] of chart.spans) {
            const left = Math.max(u.valToPos(start, "x", true), bbox.left);
            const right = Math.min(u.valToPos(stop, "x", true), bbox.left + bbox.width);
            if (right > left) ctx.fillRect(left, bbox.top, right - left, bbox.height);
          }
          ctx.restore();
        },
        draw: (u) => {
          const { ctx, bbox } = u;
          ctx.save();
          ctx.strokeStyle = hue("muted");
          ctx.fillStyle = hue("ink");
          ctx.setLineDash([3, 4]);
          ctx.font = 12 * devicePixelRatio + "px sans-serif";
          ctx.textAlign = "center";
          // labels that would touch are written as one, between their marks
          const groups = [];
          for (const mark of [...chart.marks].sort((a, b) => a.x - b.x)) {
            const { min, max } = u.scales.x;
            if (mark.x < min || mark.x > max) continue;
            const x = Math.round(u.valToPos(mark.x, "x", true));
            ctx.beginPath();
            ctx.moveTo(x, bbox.top);
            ctx.lineTo(x, bbox.top + bbox.height);
            ctx.stroke();
            const last = groups[groups.length - 1];
            const place = { x, text: mark.label.split(":")[0] };
            if (last && x - last[last.length - 1].x < 18 * devicePixelRatio) last.push(place);
            else groups.push([place]);
          }
          for (const group of groups) {
            const middle = group.reduce((sum, { x }) => sum + x, 0) / group.length;
            const text = group.map(({ text }) => text).join(", ");
            ctx.fillText(text, middle, bbox.top - 5 * devicePixelRatio);
          }
          ctx.restore();
        },
      },
    };
  }

  function options(chart, width) {
    const log = chart.logarithmic;
    const whole = (u, splits) => (log ? splits.map((v) => (powerLabel(v) ? v : null)) : splits);
    const axis = (label, unit) => ({
      label: label + " [" + unit + "]",
      labelSize: 22,
      stroke: () => hue("ink"),
      grid: { stroke: () => hue("rule"), width: 1, filter: whole },
      ticks: { stroke: () => hue("rule"), width: 1, size: 5, filter: whole },
      gap: 3,
      font: "12px sans-serif",
      labelFont: "12px sans-serif",
    });
    const powers = (u, values) => values.map((v) => (v === null ? "" : powerLabel(v)));
    return {
      width,
      height: Math.max(240, Math.min(380, Math.round(width * 0.6))),
      padding: [18, 12, 0, 0],
      scales: { x: { time: false, distr: log ? 3 : 1, range: (u, min, max) => [min, max] }, y: { distr: log ? 3 : 1 } },
      cursor: { drag: { x: true, y: false }, focus: { prox: 30 } },
      legend: { live: true },
      axes: [
        Object.assign(axis(chart.x.label, chart.x.unit), { size: 30 }, log ? { values: powers } : {}),
        Object.assign(axis(chart.y.label, chart.y.unit), { size: 46 }, log ? { values: powers } : {}),
      ],
      series: [
        { label: chart.x.label, value: (u, v) => short(v) + " " + chart.x.unit },
        ...chart.series.map((s) => ({
          label: s.label,
          stroke: () => hue(s.colour),
          width: s.colour === "tracking" ? 2 : 1.2,
          dash: s.dash.length ? s.dash : undefined,
          points: { show: false },
          value: (u, v) => short(v) + " " + chart.y.unit,
        })),
      ],
      plugins: [markPlugin(chart)],
    };
  }

  // --- zooming by buttons and keys -------------------------------------------------------------
  function move(u, chart, factor, shift) {
    const forth = chart.logarithmic ? Math.log : (v) => v;
    const back = chart.logarithmic ? Math.exp : (v) => v;
    const low = forth(u.scales.x.min), high = forth(u.scales.x.max);
    const half = ((high - low) / 2) * factor, middle = (low + high) / 2 + shift * (high - low);
    const values = chart.x.values;
    const min = Math.max(back(middle - half), values[0]);
    const max = Math.min(back(middle + half), values[values.length - 1]);
    if (max > min) u.setScale("x", { min, max });
  }

  function reset(u, chart) {
    const values = chart.x.values;
    u.setScale("x", { min: values[0], max: values[values.length - 1] });
  }

  function tools(u, chart) {
    const bar = document.createElement("div");
    bar.className = "chart-tools";
    bar.setAttribute("role", "group");
    bar.setAttribute("aria-label", "Zoom of the chart");
    const actions = [
      ["Closer", () => move(u, chart, 0.5, 0)],
      ["Wider", () => move(u, chart, 2, 0)],
      ["←", () => move(u, chart, 1, -0.25), "Earlier or lower"],
      ["→", () => move(u, chart, 1, 0.25), "Later or higher"],
      ["All", () => reset(u, chart)],
    ];
    for (const [text, act, name] of actions) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      if (name) button.setAttribute("aria-label", name);
      button.addEventListener("click", act);
      bar.append(button);
    }
    bar.title = "Drag across to zoom, double click for all; point or touch to read values.";
    return bar;
  }

  // A finger reads values as the pointer does; the page still scrolls up and down.
  function followFinger(u) {
    const read = (event) => {
      const touch = event.touches[0], box = u.over.getBoundingClientRect();
      u.setCursor({ left: touch.clientX - box.left, top: touch.clientY - box.top });
    };
    u.over.style.touchAction = "pan-y";
    u.over.addEventListener("touchstart", read, { passive: true });
    u.over.addEventListener("touchmove", read, { passive: true });
  }

  for (const chart of charts) {
    const still = document.querySelector('[data-chart="' + chart.id + '"]');
    if (!still || chart.x.values.length < 2) continue;
    const box = document.createElement("div");
    box.className = "chart";
    still.before(box);
    still.classList.add("replaced");
    const data = [chart.x.values, ...chart.series.map((s) => s.values)];
    const u = new uPlot(options(chart, Math.max(260, box.clientWidth)), data, box);
    u.root.setAttribute("role", "img");
    u.root.setAttribute("aria-label", chart.y.label + " against " + chart.x.label +
      "; the table below holds the numbers");
    box.append(tools(u, chart));
    followFinger(u);
    live.push({ u, box });
  }

  function refit() {
    for (const { u, box } of live) {
      const width = Math.max(260, box.clientWidth);
      if (width !== u.width) {
        u.setSize({ width, height: Math.max(240, Math.min(380, Math.round(width * 0.6))) });
      }
    }
  }
  function recolour() {
    for (const { u } of live) u.redraw(false, true);
    // the legend's marks are plain boxes: give them the colours of the new look
    live.forEach(({ u }) => {
      u.root.querySelectorAll(".u-series .u-marker").forEach((mark, index) => {
        if (index > 0) mark.style.borderColor = u.series[index].stroke(u, index);
      });
    });
  }
  window.addEventListener("resize", refit);
  // a folded chart has no width until it is opened
  document.querySelectorAll("details").forEach((part) => part.addEventListener("toggle", refit));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);
  document.querySelectorAll('input[name="look"]').forEach((input) =>
    input.addEventListener("change", recolour));
})();
