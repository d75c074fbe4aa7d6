"use strict";
// The test so far as lines.  Pressures, beats and watts share one scale of numbers, 0 to 250 or more.

const CHART = { left: 34, right: 600, top: 8, bottom: 226 };

function drawChart(svg, picture, trace, nowS) {
  const draw = (name, attributes, text) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    if (text !== undefined) node.textContent = text;
    svg.append(node);
  };
  const taken = picture.readings.filter((one) => one.status === "taken" && one.k1_mmhg !== null);
  const watts = (one) => one[3] || 0;
  const highest = Math.max(250, ...taken.map((one) => one.k1_mmhg + 20), ...picture.stages.map(watts));
  const untilS = Math.max(600, nowS * 1.04);
  const x = (s) => CHART.left + (CHART.right - CHART.left) * Math.min(1, Math.max(0, s / untilS));
  const y = (value) => CHART.bottom - (CHART.bottom - CHART.top) * value / highest;
  const path = (points) => points.map(([s, v], n) => (n ? "L" : "M") + x(s).toFixed(1) + " " + y(v).toFixed(1)).join("");
  svg.replaceChildren();

  for (const [from, to] of picture.windows) {
    draw("rect", { class: "window", x: x(from), y: CHART.top, width: Math.max(1, x(to) - x(from)), height: CHART.bottom - CHART.top });
  }
  for (const [from, to, , load] of picture.stages) {
    if (!load) continue;
    draw("rect", { class: "load", x: x(from), y: y(load), width: Math.max(0, x(to === null ? nowS : to) - x(from)), height: y(0) - y(load) });
    draw("text", { x: x(from) + 3, y: y(0) - 4 }, load + " W");
  }
  for (let value = 0; value <= highest; value += 50) {
    draw("line", { class: "grid", x1: CHART.left, x2: CHART.right, y1: y(value), y2: y(value) });
    draw("text", { x: CHART.left - 5, y: y(value) + 4, "text-anchor": "end" }, value);
  }
  const every = [1, 2, 5, 10, 20].find((minutes) => untilS / 60 / minutes <= 12) || 60;
  for (let minute = 0; minute * 60 <= untilS; minute += every) {
    draw("text", { x: x(minute * 60), y: CHART.bottom + 16, "text-anchor": "middle" }, minute + (minute ? "" : " min"));
  }
  // a line is broken where nothing was logged
  let pieces = [[]];
  for (const [s, , beats] of trace) {
    if (beats === null) { pieces.push([]); continue; }
    pieces[pieces.length - 1].push([s, beats]);
  }
  pieces = pieces.filter((piece) => piece.length > 1);
  for (const piece of pieces) draw("path", { class: "heart", d: path(piece) });
  const named = [];
  if (pieces.length) named.push(["beats/min", pieces[pieces.length - 1].at(-1)[1]]);

  const primary = taken.filter((one) => one.role !== "second");
  const lines = [["k1_mmhg", "u_sbp_mmhg", "systolic"], ["dbp_mmhg", "u_dbp_mmhg", "diastolic"]];
  for (const [value, u, name] of lines) {
    const used = primary.filter((one) => one.used && one[value] !== null);
    if (used.length > 1) draw("path", { class: "pressure", d: path(used.map((one) => [one.elapsed_s, one[value]])) });
    if (used.length) named.push([name, used.at(-1)[value]]);
    for (const one of taken) {
      if (one[value] === null) continue;
      const at = x(one.elapsed_s), v = one[value];
      if (one[u]) {
        const low = y(v - 2 * one[u]), high = y(v + 2 * one[u]);
        draw("path", { class: "pressure", d: `M${at - 4} ${high}h8M${at - 4} ${low}h8M${at} ${high}V${low}` });
      }
      // up for systolic, down for diastolic; empty where it is not used or is a second observer's
      const tip = value === "k1_mmhg" ? -7 : 7;
      const filled = one.used && one.role !== "second";
      draw("path", { class: filled ? "point" : "open", d: `M${at} ${y(v) + tip}l6 ${-1.6 * tip}h-12z` });
    }
  }
  named.sort((a, b) => b[1] - a[1]);
  let above = -99;
  for (const [name, value] of named) {
    above = Math.max(y(value) + 4, above + 13);
    draw("text", { x: Math.min(x(nowS) + 10, CHART.right - 26), y: above }, name);
  }
  draw("line", { class: "now", x1: x(nowS), x2: x(nowS), y1: CHART.top, y2: CHART.bottom });
  draw("text", { x: CHART.left, y: 262 }, "mmHg, beats/min and W over minutes; bars: twice the uncertainty; bands: windows for readings");
}
