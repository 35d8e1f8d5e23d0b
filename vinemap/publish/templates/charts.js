"use strict";
/* Two figures drawn as SVG at the width they are given, each with its numbers in a table beside it. */
const VMCharts = (() => {
  const { make, show, word, words, table, isNumber, factor, unit, data } = VM;
  const Z90 = 1.6449; // 90 % of a normal lies within this many standard errors

  function niceTop(value) {
    const step = 10 ** Math.floor(Math.log10(Math.max(value, 1e-9)));
    return [1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10].map((one) => one * step).find((one) => one >= value);
  }
  function ticks(low, high, count) {
    const raw = (high - low) / count, size = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 2.5, 5, 10].map((one) => one * size).find((one) => one >= raw);
    const out = [];
    for (let at = Math.ceil(low / step) * step; at <= high + step * 1e-6; at += step) out.push(Math.abs(at) < step * 1e-6 ? 0 : at);
    return out;
  }
  const line = (points, attributes) => make("path", { d: points.map(([x, y], at) => `${at ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join(""), fill: "none", ...attributes });
  const band = (upper, lower, attributes) => make("path", { d: [...upper, ...lower.slice().reverse()].map(([x, y], at) => `${at ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("") + "Z", stroke: "none", ...attributes });
  const keyMark = (draw) => make("svg", { width: 26, height: 14, viewBox: "0 0 26 14", "aria-hidden": "true" }, ...draw);
  const keyEntry = (draw, text) => make("span", {}, keyMark(draw), text);

  function frame(svg, box, years, levels, y, label, x) {
    for (const level of levels) svg.append(
      make("line", { x1: box.left, x2: box.right, y1: y(level), y2: y(level), class: "axis" }),
      make("text", { x: box.left - 6, y: y(level) + 4, "text-anchor": "end" }, label(level)));
    const room = Math.max(1, Math.ceil(years.length / ((box.right - box.left) / 42)));
    years.forEach((year, at) => {
      if ((years.length - 1 - at) % room === 0) svg.append(make("text", { x: x(year), y: box.bottom + 16, "text-anchor": "middle" }, String(year)));
    });
  }
  function whiskers(svg, series, x, y, shape) {
    for (const one of series) {
      if (!isNumber(one.value)) continue;
      const at = x(one.vintage);
      if (isNumber(one.error)) svg.append(make("line", { x1: at, x2: at, y1: y(Math.max(one.value - Z90 * one.error, 0)), y2: y(one.value + Z90 * one.error), stroke: shape.ink, "stroke-width": 1.6 }));
      svg.append(shape.open
        ? make("rect", { x: at - 4, y: y(one.value) - 4, width: 8, height: 8, transform: `rotate(45 ${at} ${y(one.value)})`, fill: "#fbf9f4", stroke: shape.ink, "stroke-width": 1.8 })
        : make("circle", { cx: at, cy: y(one.value), r: 4.2, fill: shape.ink }));
    }
  }
  function yieldFigure(zone, other, width) {
    const series = VM.seriesOf(zone), end = zone.horizon_year ?? Infinity, forecast = (data.forecast[zone.zone_id] || []).filter((one) => one[0] <= end), rival = other ? VM.seriesOf(other) : [];
    const works = VMValue && (zone.advice === "renew" || zone.advice === "scout") && zone.best_method;
    const renewed = (works && VMValue.cropOf(zone.zone_id, zone.best_method, zone.best_year) || []).filter((one) => one[0] <= end);
    const years = [...series.map((one) => one.vintage), ...[...forecast, ...renewed].map((one) => one[0])];
    const box = { left: 40, right: width - 8, top: 22, bottom: 226 };
    const first = Math.min(...years), last = Math.max(...years);
    const x = (year) => box.left + 14 + (box.right - box.left - 22) * (year - first) / Math.max(last - first, 1);
    const all = [...series, ...rival].flatMap((one) => [one.value + Z90 * (one.error || 0), one.expected]).concat(forecast.map((one) => one[3]), renewed.map((one) => one[1])).filter(isNumber);
    const top = niceTop(Math.max(...all, 1) * factor("yield")) / factor("yield");
    const y = (value) => box.bottom - (box.bottom - box.top) * value / top;
    const svg = make("svg", { viewBox: `0 0 ${width} 248`, height: 248, role: "img", "aria-label": word("chart_yield_alt", { zone: VM.fullName(zone) }) });
    const levels = ticks(0, top * factor("yield"), 5).map((one) => one / factor("yield"));
    frame(svg, box, range(first, last), levels, y, (level) => show.number(level * factor("yield"), levels.every((one) => Math.abs(one * factor("yield") % 1) < 1e-6 || Math.abs(one * factor("yield") % 1) > 1 - 1e-6) ? 0 : 1), x);
    svg.append(make("text", { x: 2, y: 12, class: "soft" }, unit("yield")));
    if (forecast.length) {
      const points = (column) => forecast.filter((one) => isNumber(one[column])).map((one) => [x(one[0]), y(one[column])]);
      svg.append(band(points(3), points(2), { fill: "#74224f", "fill-opacity": 0.16 }), line(points(1), { stroke: "#74224f", "stroke-width": 2, "stroke-dasharray": "6 4" }));
    }
    if (renewed.length) svg.append(line(renewed.map(([year, crop]) => [x(year), y(crop)]), { stroke: "#3f6175", "stroke-width": 2.2 }));
    if (forecast.length && end === last) {
      const at = x(last) + 5;
      svg.append(make("line", { x1: at, x2: at, y1: box.top - 4, y2: box.bottom, stroke: "#25211c", "stroke-width": 1.4, "stroke-dasharray": "2 3" }),
        make("text", { x: at, y: box.top - 9, "text-anchor": "end", class: "soft" }, word("chart_trellis", { year: last })));
    }
    const half = Math.min(10, (x(first + 1) - x(first)) * 0.42 || 10);
    for (const one of series) if (isNumber(one.expected)) svg.append(make("line", { x1: x(one.vintage) - half, x2: x(one.vintage) + half, y1: y(one.expected), y2: y(one.expected), stroke: "#3f6175", "stroke-width": 3 }));
    if (other) whiskers(svg, rival, x, y, { ink: "#8a5800", open: true });
    whiskers(svg, series, x, y, { ink: "#25211c", open: false });
    return make("div", { class: "figure" }, yieldKey(other, forecast.length, renewed.length ? renewedWords(zone) : ""), svg, numbersBeside("yield", () => yieldTable(zone, series, forecast, renewed)));
  }
  const range = (first, last) => Array.from({ length: last - first + 1 }, (_, at) => first + at);
  const renewedWords = (zone) => word("chart_renewed", { work: words["method_" + zone.best_method] || zone.best_method, year: zone.best_year });
  function yieldKey(other, ahead, renewed) {
    const entries = [
      keyEntry([make("line", { x1: 13, x2: 13, y1: 0, y2: 14, stroke: "#25211c", "stroke-width": 1.6 }), make("circle", { cx: 13, cy: 7, r: 4, fill: "#25211c" })], words.chart_measured),
      keyEntry([make("line", { x1: 3, x2: 23, y1: 7, y2: 7, stroke: "#3f6175", "stroke-width": 3 })], words.chart_expected)];
    if (ahead) entries.push(keyEntry([make("rect", { x: 0, y: 1, width: 26, height: 12, fill: "#74224f", "fill-opacity": 0.16 }), make("line", { x1: 0, x2: 26, y1: 7, y2: 7, stroke: "#74224f", "stroke-width": 2, "stroke-dasharray": "6 4" })], words.chart_forecast));
    if (renewed) entries.push(keyEntry([make("line", { x1: 0, x2: 26, y1: 7, y2: 7, stroke: "#3f6175", "stroke-width": 2.2 })], renewed));
    if (other) entries.push(keyEntry([make("rect", { x: 9, y: 3, width: 8, height: 8, transform: "rotate(45 13 7)", fill: "#fbf9f4", stroke: "#8a5800", "stroke-width": 1.8 })], word("chart_compare", { zone: VM.fullName(other) })));
    return make("div", { class: "key" }, ...entries);
  }
  function yieldTable(zone, series, forecast, renewed) {
    const of = (value) => show.cropNumber(value), suffix = `, ${unit("yield")}`;
    const measured = series.map((one) => [String(one.vintage), of(one.value), isNumber(one.error) ? of(Math.max(one.value - Z90 * one.error, 0)) : "–", isNumber(one.error) ? of(one.value + Z90 * one.error) : "–", of(one.expected)]);
    const after = new Map(renewed), ahead = forecast.map(([year, keep, low, high]) => [String(year), of(keep), of(low), of(high), ...(after.size ? [of(after.get(year))] : [])]);
    return [
      table(words.chart_yield, [words.col_vintage, words.col_measured + suffix, words.col_low, words.col_high, words.col_expected], measured),
      table(words.chart_forecast, [words.col_vintage, words.col_forecast + suffix, words.col_low, words.col_high, ...(after.size ? [renewedWords(zone)] : [])], ahead)];
  }
  const opened = new Set(); // figures whose numbers the reader keeps open
  function numbersBeside(figure, makeTables) { // made when first opened
    const box = make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": words.as_table }), summary = make("summary", {}, words.as_table), details = make("details", {}, summary, box);
    const fill = () => { if (!box.firstChild) box.append(...makeTables()); };
    summary.addEventListener("click", fill);
    details.addEventListener("toggle", () => { fill(); if (details.open) opened.add(figure); else opened.delete(figure); });
    if (opened.has(figure)) { fill(); details.open = true; }
    return details;
  }
  const INKS = ["#74224f", "#3f6175", "#8a5800", "#4d4a45"], DASHES = [null, "7 3", "2 3", "10 3 2 3"];
  const bestOf = (options) => options.reduce((best, one) => ((one[2] ?? -Infinity) > (best[2] ?? -Infinity) ? one : best))[0];
  function moneyFigure(zone, width) {
    const options = VM.figures ? VM.figures.options(zone) : data.options[zone.zone_id] || [];
    if (!options.length) return null;
    const all = [...new Set(options.map((one) => one[0]))], best = all.includes(zone.best_method) ? zone.best_method : bestOf(options);
    const methods = [best, ...all.filter((one) => one !== best)];
    const years = [...new Set(options.map((one) => one[1]))].sort((a, b) => a - b);
    const names = [...methods.map((method) => words["method_" + method] || method), words.chart_money_zero];
    const beside = width >= 470, right = beside ? 10 + 6.1 * Math.max(...names.map((one) => one.length)) : 8;
    const box = { left: 62, right: width - right, top: 22, bottom: 190 };
    const shown = options.flatMap((one) => one[0] === best ? [one[2], one[3], one[4]] : [one[2]]).filter(isNumber).map((one) => one * factor("per_area")).concat([0]);
    const low = Math.min(...shown), high = Math.max(...shown), span = Math.max(high - low, 1);
    const y = (value) => box.bottom - (box.bottom - box.top) * (value * factor("per_area") - low) / span;
    const x = (year) => box.left + 8 + (box.right - box.left - 14) * (year - years[0]) / Math.max(years[years.length - 1] - years[0], 1);
    const svg = make("svg", { viewBox: `0 0 ${width} 212`, height: 212, role: "img", "aria-label": word("chart_money_alt", { zone: VM.fullName(zone) }) });
    frame(svg, box, years, ticks(low, high, 4).map((one) => one / factor("per_area")), y, (level) => show.number(level * factor("per_area")), x);
    svg.append(make("text", { x: 2, y: 12, class: "soft" }, `${data.currency}${unit("per_area")}`));
    svg.append(make("line", { x1: box.left, x2: box.right, y1: y(0), y2: y(0), stroke: "#25211c", "stroke-width": 1.2 }));
    const ends = [{ at: y(0), text: words.chart_money_zero, ink: "#25211c" }];
    methods.forEach((method, place) => {
      const mine = options.filter((one) => one[0] === method && isNumber(one[2]));
      const points = (column) => mine.filter((one) => isNumber(one[column])).map((one) => [x(one[1]), y(one[column])]);
      if (method === best) svg.append(band(points(4), points(3), { fill: INKS[place % 4], "fill-opacity": 0.14 }));
      svg.append(line(points(2), { stroke: INKS[place % 4], "stroke-width": method === best ? 2.6 : 1.6, "stroke-dasharray": DASHES[place % 4] }));
      if (mine.length) ends.push({ at: points(2)[mine.length - 1][1], text: words["method_" + method] || method, ink: INKS[place % 4] });
    });
    ends.sort((a, b) => a.at - b.at).forEach((one, at) => { if (at && one.at < ends[at - 1].at + 13) one.at = ends[at - 1].at + 13; });
    ends.reverse().forEach((one, at) => { const lowest = at ? ends[at - 1].at - 13 : box.bottom; if (one.at > lowest) one.at = lowest; });
    for (const one of beside ? ends : []) {
      const text = make("text", { x: box.right + 5, y: one.at + 4 }, one.text);
      text.style.fill = one.ink;
      svg.append(text);
    }
    const key = methods.map((method, place) => keyEntry([make("line", { x1: 0, x2: 26, y1: 7, y2: 7, stroke: INKS[place % 4], "stroke-width": place ? 1.6 : 2.6, "stroke-dasharray": DASHES[place % 4] })], names[place]));
    return make("div", { class: "figure" }, beside ? null : make("div", { class: "key" }, ...key), svg, numbersBeside("money", () => [moneyTable(options)]));
  }
  function moneyTable(options) {
    const of = (value) => show.number(value * factor("per_area"));
    const rows = options.map(([method, year, npv, from, to, chance]) => [words["method_" + method] || method, String(year), of(npv), of(from), of(to), show.chance(chance)]);
    return table(words.chart_money, [words.col_method, words.col_year, `${words.col_npv}, ${data.currency}${unit("per_area")}`, words.col_low, words.col_high, words.col_chance], rows);
  }
  return { yieldFigure, moneyFigure, ticks };
})();
