"use strict";
/* Shared by the parts of the page: data, words, numbers, small DOM helpers. Names from files are only ever text nodes. */
const VM = (() => {
  const data = JSON.parse(document.getElementById("page-data").textContent);
  const words = data.texts;
  const state = { zone: null, other: null, order: null, mode: "advice", vintage: data.vintages[data.vintages.length - 1], fine: true, units: data.units };

  const word = (key, values = {}) => words[key].replace(/\{(\w+)\}/g, (all, name) => (name in values ? String(values[name]) : all));
  const factor = (kind) => data.factors[state.units][kind];
  const unit = (kind) => data.unit_labels[state.units][kind];
  const DASH = "–", SPACE = "\u00a0";
  const isNumber = (value) => typeof value === "number" && Number.isFinite(value);
  const formats = new Map(); // a formatter is dear to make
  function format(digits) {
    if (!formats.has(digits)) formats.set(digits, new Intl.NumberFormat(words.language_code, { minimumFractionDigits: digits, maximumFractionDigits: digits, signDisplay: "negative" }));
    return formats.get(digits);
  }
  const number = (value, digits = 0) => isNumber(value) ? format(digits).format(value).replace("-", "−") : DASH;
  const significant = (value, digits) => (value === 0 ? 0 : Number(value.toPrecision(digits)));
  const money = (value, digits = 2) => isNumber(value) ? data.currency ? `${data.currency}${SPACE}${number(significant(value, digits))}` : number(significant(value, digits)) : DASH;
  const show = {
    number, money,
    bare: (value) => isNumber(value) ? number(significant(value, 2)) : DASH, // money whose currency stands before it
    area: (value) => isNumber(value) ? number(value * factor("area"), value * factor("area") < 1 ? 2 : 1) + SPACE + unit("area") : DASH,
    crop: (value) => isNumber(value) ? number(value * factor("yield"), 1) + SPACE + unit("yield") : DASH,
    cropNumber: (value) => isNumber(value) ? number(value * factor("yield"), 1) : DASH,
    perArea: (value) => isNumber(value) ? money(value * factor("per_area"), 2) + unit("per_area") : DASH,
    perAreaNumber: (value) => isNumber(value) ? number(significant(value * factor("per_area"), 2)) : DASH,
    percent: (value) => isNumber(value) ? number(value) + SPACE + "%" : DASH,
    chance: (value) => isNumber(value) ? number(value * 100) + SPACE + "%" : DASH,
  };
  const between = (low, high, how) => isNumber(low) && isNumber(high) ? word("between", { low: how(low), high: how(high) }) : "";

  function make(tag, attributes = {}, ...children) {
    const svg = ["svg", "path", "line", "rect", "circle", "text", "g", "title", "polyline", "polygon"].includes(tag);
    const node = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) if (value !== null && value !== undefined) node.setAttribute(name, value);
    node.append(...children.filter((one) => one !== null && one !== undefined));
    return node;
  }
  const table = (caption, heads, rows) => make("table", {},
    make("caption", { class: "sr" }, caption),
    make("thead", {}, make("tr", {}, ...heads.map((head) => make("th", { scope: "col" }, head)))),
    make("tbody", {}, ...rows.map((row) => make("tr", {}, ...row.map((cell) => make("td", {}, cell))))));

  const zones = data.zones, byId = new Map(zones.map((zone) => [zone.zone_id, zone]));
  const blocks = new Map(data.blocks.map((block) => [block.block_id, block]));
  const blockOf = (zone) => blocks.get(zone.block_id) || { name: zone.block_id, variety: "", year_planted: null };
  const shortName = (zone) => zone.zone_id.startsWith(zone.block_id + "-") ? zone.zone_id.slice(zone.block_id.length + 1) : zone.zone_id;
  const fullName = (zone) => `${blockOf(zone).name || zone.block_id}, ${shortName(zone)}`;
  const waits = (zone) => isNumber(zone.wait_cost_per_ha) && isNumber(zone.area_ha) ? zone.wait_cost_per_ha * zone.area_ha : null;
  const urgency = { renew: 3, scout: 2, watch: 1, keep: 0 };
  const chance = (zone) => zone.chance_pays ?? 0;
  const sort = () => zones.sort((a, b) => urgency[b.advice] - urgency[a.advice] || Math.max(waits(b) ?? 0, 0) - Math.max(waits(a) ?? 0, 0) || chance(b) - chance(a) || (b.loss_pct ?? 0) - (a.loss_pct ?? 0));
  sort();
  const seriesOf = (zone) => (data.series[zone.zone_id] || []).map(([vintage, value, error, expected]) => ({ vintage, value, error, expected }));
  const yields = new Map(Object.entries(data.series).map(([id, series]) => [id, new Map(series.map(([vintage, value]) => [vintage, value]))]));
  const yieldIn = (zone, vintage) => yields.get(zone.zone_id)?.get(vintage) ?? null;

  const mix = (stops, share) => {
    const place = Math.min(Math.max(share, 0), 1) * (stops.length - 1), low = Math.min(Math.floor(place), stops.length - 2);
    const channel = (text, at) => parseInt(text.slice(1 + 2 * at, 3 + 2 * at), 16);
    return [0, 1, 2].map((at) => Math.round(channel(stops[low], at) + (channel(stops[low + 1], at) - channel(stops[low], at)) * (place - low)));
  };
  const hex = (rgb) => "#" + rgb.map((one) => one.toString(16).padStart(2, "0")).join("");
  const colour = (ramp, share) => isNumber(share) ? hex(mix(data.ramps[ramp], share)) : data.no_value;
  function swatch(advice) {
    const mark = make("svg", { width: 26, height: 18, viewBox: "0 0 26 18", "aria-hidden": "true" },
      make("rect", { x: 0.5, y: 0.5, width: 25, height: 17, fill: `url(#hatch-${advice})`, stroke: "#25211c" }));
    return make("span", { class: "swatch" }, mark, `${words["advice_" + advice] || advice}`);
  }
  const listeners = [];
  const onChange = (listener) => listeners.push(listener);
  function change(part) {
    Object.assign(state, part);
    for (const listener of listeners) listener(part);
  }
  const written = (text, language = "en") => make("span", { lang: words.language_code === language ? null : language }, text); // sentences of the assessment are English
  return { figures: null, sort, data, words, word, state, show, between, make, table, written, urgency, zones, byId, blocks, blockOf, shortName, fullName, waits, seriesOf, yieldIn, mix, colour, swatch, onChange, change, isNumber, factor, unit, SPACE };
})();
