"use strict";
/* The list, the sheet of the picked zone, and what the reader can set. */
(() => {
  const { data, words, word, state, show, make, between, zones, isNumber } = VM;
  const at = (id) => document.getElementById(id);

  // ---------------------------------------------------------------- list
  function matches(zone) {
    const block = VM.blockOf(zone), sought = at("find").value.trim().toLocaleLowerCase();
    const text = [zone.zone_id, zone.block_id, block.name, block.variety].join(" ").toLocaleLowerCase();
    return (!at("show").value || zone.advice === at("show").value) && text.includes(sought);
  }
  const AT_ONCE = 25; // rows drawn before the next picture; the rest right after it
  let listTurn = 0;
  function drawList() {
    const shown = ordered(zones.filter(matches)), body = at("zones").tBodies[0];
    const turn = ++listTurn;
    const first = shown.slice(0, AT_ONCE).map(listRow), whole = shown.length === body.rows.length;
    if (!whole || first.some((row, at) => row !== body.rows[at])) body.replaceChildren(...first);
    if (shown.length > AT_ONCE) requestAnimationFrame(() => setTimeout(() => { if (turn === listTurn) fillUp(body, shown.map(listRow)); }, 0));
    at("found").textContent = shown.length ? (shown.length < zones.length ? word("found", { n: shown.length, all: zones.length }) : "") : words.nothing_found;
  }
  function fillUp(body, rows) { // only what is not there already
    rows.forEach((row, at) => { if (body.rows[at] !== row) body.insertBefore(row, body.rows[at] || null); });
    while (body.rows.length > rows.length) body.rows[body.rows.length - 1].remove();
  }
  const measures = {
    zone: (zone) => VM.fullName(zone), advice: (zone) => VM.urgency[zone.advice], area: (zone) => zone.area_ha, loss: (zone) => zone.loss_pct,
    wait: (zone) => VM.waits(zone), chance: (zone) => zone.chance_pays, work: (zone) => (works(zone) ? zone.best_year : null),
  };
  const collator = new Intl.Collator(words.language_code, { numeric: true });
  const rising = (name) => name === "zone" || name === "work"; // first press: names and years rise, all else falls
  function ordered(shown) {
    if (!state.order) return shown;
    const [name, up] = state.order, value = measures[name], sign = up ? 1 : -1;
    const compare = (a, b) => (name === "zone" ? collator.compare(a, b) : a - b);
    return shown.slice().sort((one, other) => {
      const a = value(one), b = value(other);
      if (a === null || b === null) return (a === null) - (b === null);
      return sign * compare(a, b);
    });
  }
  function press(name) {
    const [last, up] = state.order || [];
    state.order = last !== name ? [name, rising(name)] : up === rising(name) ? [name, !up] : null; // third press: as at first
    for (const head of at("zones").tHead.rows[0].cells) {
      const mine = state.order && head.dataset.order === state.order[0];
      if (mine) head.setAttribute("aria-sort", state.order[1] ? "ascending" : "descending");
      else head.removeAttribute("aria-sort");
    }
    drawList();
  }
  function markPicked() {
    for (const { row } of listed.values()) {
      const picked = row.dataset.zone === state.zone;
      if (picked === (row.className === "picked")) continue;
      row.className = picked ? "picked" : "";
      row.querySelector("button").setAttribute("aria-pressed", String(picked));
    }
  }
  const works = (zone) => Boolean(zone.best_method) && (zone.advice === "renew" || zone.advice === "scout");
  function waitWords(amount) { // and whether it is a sum
    if (!isNumber(amount)) return ["–", true];
    if (Math.abs(amount) < 0.5) return [words.wait_nothing, false];
    return amount > 0 ? [show.money(amount), true] : [word("wait_gains", { cost: show.money(-amount) }), false];
  }
  const listed = new Map(); // rows by zone, made anew only where what they say has changed
  function waitSpan(zone) { // 90 % interval of what a year's wait costs the whole zone
    const costs = zone.wait_cost_per_ha >= 1 && isNumber(zone.area_ha), whole = (perHectare) => (isNumber(perHectare) ? zone.area_ha * perHectare : null);
    return costs ? between(whole(zone.wait_cost_per_ha_low), whole(zone.wait_cost_per_ha_high), (one) => show.bare(one)) : "";
  }
  function listRow(zone) {
    const interval = between(zone.loss_pct_low, zone.loss_pct_high, show.number), [wait, sum] = waitWords(VM.waits(zone)), span = waitSpan(zone);
    const work = works(zone) ? `${words["method_" + zone.best_method] || zone.best_method}, ${zone.best_year ?? "–"}` : "–";
    const said = [zone.advice, show.area(zone.area_ha), show.percent(zone.loss_pct), interval ? `(${interval})` : "", wait, span ? `(${span})` : "", show.chance(zone.chance_pays), work], key = said.join("|"), kept = listed.get(zone.zone_id);
    if (kept && kept.key === key) return kept.row;
    const row = makeRow(zone, said, sum);
    if (kept) kept.row.replaceWith(row);
    listed.set(zone.zone_id, { key, row });
    return row;
  }
  function makeRow(zone, [advice, area, loss, interval, wait, span, chance, work], sum) {
    const picked = zone.zone_id === state.zone, pick = make("button", { type: "button", "aria-pressed": String(picked) }, VM.blockOf(zone).name || zone.block_id, " ", make("span", {}, VM.shortName(zone)));
    pick.addEventListener("click", () => VM.change({ zone: zone.zone_id, from: "list" }));
    return make("tr", { "data-zone": zone.zone_id, class: picked ? "picked" : "" },
      make("td", {}, pick), make("td", {}, VM.swatch(advice)), make("td", { class: "num c-area" }, area), make("td", { class: "num c-loss" }, loss, " ", make("small", {}, interval)),
      make("td", { class: "num c-wait" }, ...(sum ? [wait, " ", make("small", {}, span)] : [make("small", {}, wait)])), make("td", { class: "num c-chance" }, chance), make("td", { class: "c-work" }, work));
  }

  // ---------------------------------------------------------------- sheet of the picked zone
  const ranged = (value, low, high) => [value, low ? make("small", {}, low) : null, high ?? null];
  function waitFact(zone, interval) {
    const amount = zone.wait_cost_per_ha, whole = VM.waits(zone);
    if (!isNumber(amount)) return ["–"];
    if (Math.abs(amount) < 0.5) return [words.no_wait_cost];
    if (amount < 0) return [word("wait_is_gain", { amount: show.perArea(-amount) })];
    const spread = interval(zone.wait_cost_per_ha_low, zone.wait_cost_per_ha_high, show.perArea), all = isNumber(whole) ? word("whole_zone", { amount: show.money(whole) }) : "";
    return ranged(show.perArea(amount), [all, spread].filter(Boolean).join("; "));
  }
  function factRows(zone) {
    const interval = (low, high, how) => between(low, high, how);
    const ofSeason = (low, high) => [isNumber(low) && isNumber(high) ? word("between", { low: show.cropNumber(low), high: show.crop(high) }) : "", words.average_season].filter(Boolean).join("; ");
    return [
      [words.fact_loss, ranged(show.percent(zone.loss_pct), interval(zone.loss_pct_low, zone.loss_pct_high, show.percent))],
      [words.fact_yield_now, ranged(show.crop(zone.yield_now_t_ha), ofSeason(zone.yield_now_low_t_ha, zone.yield_now_high_t_ha))],
      [words.fact_yield_healthy, ranged(show.crop(zone.yield_healthy_t_ha), ofSeason(zone.yield_healthy_low_t_ha, zone.yield_healthy_high_t_ha))],
      [words.fact_decline, ranged(isNumber(zone.decline_pct_per_year) ? show.number(zone.decline_pct_per_year, 1) + VM.SPACE + "% " + words.per_year : "–", interval(zone.decline_pct_per_year_low, zone.decline_pct_per_year_high, (one) => show.number(one, 1) + VM.SPACE + "%"))],
      [words.fact_onset, ranged(zone.onset_vintage === null ? words.held : String(zone.onset_vintage), zone.onset_vintage === null ? "" : interval(zone.onset_low, zone.onset_high, String))],
      [words.fact_missing, ranged(zone.missing_pct === null ? words.not_counted : show.percent(zone.missing_pct))],
      [words.fact_symptomatic, ranged(zone.symptomatic_pct === null ? words.not_counted : show.percent(zone.symptomatic_pct))],
      [words.fact_health, ranged(show.number(zone.health_score))],
      [words.fact_method, ranged(words["method_" + zone.best_method] || zone.best_method || words.not_set)],
      [words.fact_year, ranged(zone.best_year === null ? words.not_set : String(zone.best_year))],
      [words.fact_gain, ranged(show.perArea(zone.gain_per_ha), interval(zone.gain_per_ha_low, zone.gain_per_ha_high, show.perArea))],
      [words.fact_wait, waitFact(zone, interval)],
      [words.fact_chance, ranged(show.chance(zone.chance_pays))],
      [words.fact_area, ranged(show.area(zone.area_ha))],
      [words.fact_vines, ranged(show.number(zone.vines))],
      [words.fact_vintages, ranged(show.number(zone.vintages))],
      ...(isNumber(zone.horizon_year) ? [[words.fact_trellis, ranged(String(zone.horizon_year))]] : []),
    ];
  }
  function facts(zone, other) {
    const mine = factRows(zone), theirs = other ? factRows(other) : null;
    const head = other ? make("thead", {}, make("tr", {}, make("th", { scope: "col" }, make("span", { class: "sr" }, words.numbers)), make("th", { scope: "col" }, VM.fullName(zone)), make("th", { scope: "col" }, VM.fullName(other)))) : null;
    const rows = mine.map(([label, cells], place) => make("tr", {}, make("th", { scope: "row" }, label), make("td", {}, ...cells), theirs ? make("td", {}, ...theirs[place][1]) : null));
    return make("div", { class: other ? "facts two" : "facts" }, make("table", {}, head, make("tbody", {}, ...rows)));
  }
  const rival = make("select", {}, make("option", { value: "" }, words.compare_none), ...zones.slice().sort((one, other) => collator.compare(VM.fullName(one), VM.fullName(other))).map((one) => make("option", { value: one.zone_id }, VM.fullName(one))));
  rival.addEventListener("change", () => VM.change({ other: rival.value || null, from: "sheet" }));
  const rivals = new Map([...rival.options].map((option) => [option.value, option])), comparing = make("label", { class: "compare" }, words.compare, " ", rival);
  let hidden = null;
  function compareChoice(zone) { // one choice for all zones: making it anew for each is dear
    if (hidden) hidden.hidden = hidden.disabled = false;
    hidden = rivals.get(zone.zone_id);
    hidden.hidden = hidden.disabled = true;
    rival.value = state.other || "";
    return comparing;
  }
  function filled(key, name, text, language = "en") { // a sentence of the page around one of the assessment, each in its language
    const [before, after] = words[key].split(`{${name}}`);
    return make("p", { class: "note" }, before, VM.written(text, language), after);
  }
  function zoneCautions(zone) {
    const keys = ["caution_estimate"];
    if (zone.cause_hint) keys.push("caution_cause");
    if (zone.best_method && zone.advice !== "keep") keys.push(...({ infill: ["caution_money"], replant: ["caution_metal", "caution_burning", "caution_money"] }[zone.best_method] || ["caution_tools", "caution_sprays", "caution_metal", "caution_money"]));
    return make("ul", { class: "zone-cautions not-print" }, ...keys.map((key) => make("li", {}, words[key])));
  }
  function pointLine(zone, row, vine, why) { // the reasons of the assessment are English
    const told = words.language_code === "en" ? why : words["why_" + ({ renew: "renew", scout: "scout", watch: "watch" }[zone.advice] || "control")];
    return make("li", {}, word("point", { row, vine, why: told }));
  }
  function places(zone) {
    const points = data.points[zone.zone_id] || [], rows = data.rows[zone.zone_id] || [];
    const parts = [make("p", { class: "note not-print" }, word("rows_note", { n: show.number(rows.length) }))];
    if (points.length) parts.push(make("p", { class: "note" }, word("points_note", { n: points.length })), make("ol", { class: "points" }, ...points.map(([, , , row, vine, why]) => pointLine(zone, row, vine, why))));
    return parts;
  }
  function sheetLink(zone) {
    const file = data.sheets[zone.block_id];
    return file ? [make("p", { class: "note not-print" }, make("a", { href: file }, word("sheet_link", { file: decodeURIComponent(file) })))] : [];
  }
  function reasonOf(zone) { // the assessment's own sentence is English and metric: else built from the numbers, as vinemap.publish.sentences does
    if (words.language_code === "en" && state.units === "metric") return zone.reason || "";
    const moves = isNumber(zone.decline_pct_per_year) ? zone.decline_pct_per_year : 0, way = Math.sign(moves), rate = (value) => show.number(way * value, 1) + VM.SPACE + "%";
    const ends = [rate(zone.decline_pct_per_year_low), rate(zone.decline_pct_per_year_high)], [low, high] = way > 0 ? ends : ends.reverse();
    const moving = Math.abs(moves) < 0.25 ? words.reason_holds : word(way > 0 ? "reason_falls" : "reason_gains", { rate: rate(moves), low, high });
    const lost = word("reason_lost", { loss: show.percent(zone.loss_pct), low: show.percent(zone.loss_pct_low), high: show.percent(zone.loss_pct_high), healthy: show.crop(zone.yield_healthy_t_ha) });
    const parts = [`${lost} ${words.and} ${moving}`];
    if (isNumber(zone.renewed_year)) parts.push(word("reason_renewed", { year: zone.renewed_year }));
    else if (!zone.best_method) parts.push(words.reason_no_method);
    else {
      parts.push(word(zone.gain_per_ha > 0 ? "reason_worth" : "reason_loses", worthOf(zone)));
      if (zone.wait_cost_per_ha >= 1) parts.push(word(isNumber(zone.wait_cost_per_ha_low) ? "reason_wait_interval" : "reason_wait", { wait: show.perArea(zone.wait_cost_per_ha), low: show.perAreaNumber(zone.wait_cost_per_ha_low), high: show.perAreaNumber(zone.wait_cost_per_ha_high) }));
      if (zone.advice === "scout") parts.push(words.reason_scout);
    }
    return parts.join("; ") + ".";
  }
  const worthOf = (zone) => ({ work: words["method_" + zone.best_method] || zone.best_method, year: zone.best_year, gain: show.perArea(zone.gain_per_ha), low: show.perAreaNumber(zone.gain_per_ha_low), high: show.perAreaNumber(zone.gain_per_ha_high), chance: show.chance(zone.chance_pays) });
  function reasons(zone) {
    if (!VM.figures) return [make("p", { class: "reason" }, reasonOf(zone))];
    const before = VM.figures.own.get(zone.zone_id);
    return [
      make("p", { class: "reason" }, zone.best_method ? word(zone.gain_per_ha > 0 ? "what_if_worth" : "what_if_loses", worthOf(zone)) : words.what_if_no_method),
      make("p", { class: "note" }, word("what_if_before", { advice: words["advice_" + before.advice] }) + " ", reasonOf(before))];
  }
  let asked = 0, turns = { key: "", lines: [] };
  function wouldChange(zone) { // the assessment's own points, then what turns the advice, worked out once the sheet stands
    const own = (zone[`changes_${state.units}`] || "").split("\n").filter(Boolean).map((one) => one[0].toLocaleUpperCase() + one.slice(1) + "."), mine = ++asked;
    if (!own.length && !VM.turnLines) return [];
    const head = make("h3", {}, words.turn_title), list = make("ul", { class: "points turns" });
    const show = (lines) => { head.hidden = !lines.length; list.replaceChildren(...lines.map((line) => make("li", {}, line))); };
    const key = [zone.zone_id, state.units, at("whatif-note").textContent].join("|"), known = VM.figures ? [] : own;
    show(turns.key === key ? turns.lines : known);
    if (VM.turnLines && turns.key !== key) setTimeout(() => VMValue.load().then(async () => {
      const lines = mine === asked && (await VM.turnLines(zone, () => mine === asked));
      if (lines) { turns = { key, lines: [...known, ...lines] }; show(turns.lines); }
    }), 250); // not while a slider moves
    return [head, list];
  }
  const PAPER = 700; // px of a 186 mm column
  function drawSheet() {
    const zone = VM.byId.get(state.zone), box = at("sheet");
    if (!zone) { box.replaceChildren(make("p", { class: "hint" }, words.pick_first)); return; }
    const other = VM.byId.get(state.other), block = VM.blockOf(zone), width = document.body.classList.contains("printing") ? PAPER : Math.max(300, box.clientWidth - 8);
    const planted = word("zone_of", { variety: block.variety || "–", year: block.year_planted ?? "–" });
    const money = VMCharts.moneyFigure(zone, width);
    box.replaceChildren(
      make("h2", {}, VM.fullName(zone)),
      make("p", { class: "of" }, `${planted}, ${show.area(zone.area_ha)}`),
      make("span", { class: "verdict" }, VM.swatch(zone.advice)),
      ...reasons(zone), ...sheetLink(zone),
      make("h3", {}, words.chart_yield), VMCharts.yieldFigure(zone, other, width), compareChoice(zone),
      make("h3", {}, words.numbers), facts(zone, other),
      ...(zone.cause_hint ? [filled("cause", "cause", zone.cause_hint, zone.cause_language)] : []),
      ...wouldChange(zone),
      ...(money ? [make("h3", {}, words.chart_money), money] : []),
      make("h3", {}, words.rows_link), ...places(zone),
      make("h3", { class: "not-print" }, words.cautions), zoneCautions(zone));
    box.scrollTop = 0;
  }

  // ---------------------------------------------------------------- what the reader sets
  function wire() {
    for (const radio of at("chooser").elements.mode) radio.addEventListener("change", () => VM.change({ mode: radio.value }));
    const slider = at("vintage");
    slider.min = 0; slider.max = data.vintages.length - 1; slider.value = data.vintages.length - 1;
    slider.addEventListener("input", () => VM.change({ vintage: data.vintages[Number(slider.value)] }));
    at("fine").addEventListener("change", () => VM.change({ fine: at("fine").checked }));
    at("units").value = state.units;
    at("units").addEventListener("change", () => VM.change({ units: at("units").value }));
    at("print").addEventListener("click", () => window.print());
    for (const moment of ["beforeprint", "afterprint"]) window.addEventListener(moment, () => {
      document.body.classList.toggle("printing", moment === "beforeprint");
      VMMap.forPaper(moment === "beforeprint");
      drawSheet();
    });
    for (const head of at("zones").tHead.rows[0].cells) head.querySelector("button").addEventListener("click", () => press(head.dataset.order));
    for (const id of ["find", "show"]) at(id).addEventListener("input", drawList);
    for (const id of ["finder", "chooser"]) at(id).addEventListener("submit", (event) => event.preventDefault());
    window.addEventListener("resize", drawSheet);
    window.addEventListener("hashchange", fromAddress);
    const background = at("background");
    if (background) {
      const tiles = L.tileLayer(data.background.url, { attribution: data.background.credit, maxZoom: 20 });
      background.addEventListener("change", () => (background.checked ? tiles.addTo(vinemap_map) : tiles.remove()));
    }
  }
  function settings() {
    for (const radio of at("chooser").elements.mode) radio.checked = radio.value === state.mode;
    at("vintage-box").hidden = state.mode !== "yield";
    at("vintage").hidden = data.vintages.length < 2;
    at("vintage-out").textContent = String(state.vintage);
    at("vintage").setAttribute("aria-valuetext", String(state.vintage));
    at("fine-box").hidden = !VMMap.hasFine(state.mode);
    at("headline").textContent = VM.figures ? VM.figures.headline() : data.headlines[state.units];
  }
  function fromAddress() {
    const found = /^#zone=(.+)$/.exec(window.location.hash), id = found ? decodeURIComponent(found[1]) : null;
    if (id && VM.byId.has(id) && id !== state.zone) VM.change({ zone: id, from: "address" });
  }
  VM.onChange((part) => {
    settings();
    if ("zone" in part || "other" in part || "units" in part || "figures" in part) {
      if (state.other === state.zone) state.other = null;
      drawSheet();
    }
    if ("units" in part || "figures" in part || part.from === "start") drawList();
    else if ("zone" in part) markPicked();
    if (part.from === "list") {
      if (window.matchMedia("(max-width: 1020px)").matches) at("sheet").scrollIntoView({ block: "start" });
    }
    if ("zone" in part && part.from !== "start" && part.from !== "address") window.history.replaceState(null, "", "#zone=" + encodeURIComponent(state.zone));
  });
  wire();
  VM.change({ zone: (zones.find((zone) => zone.advice === "renew") || zones[0]).zone_id, from: "start" });
  fromAddress();
  requestAnimationFrame(() => setTimeout(() => {
    performance.mark("drawn");
    VMMap.readAhead();
    if (VMValue) VMValue.load().then(() => VM.change({ other: state.other })); // crop after the work, from the draws
  }, 0));
})();
