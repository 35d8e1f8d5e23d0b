"use strict";
/* Controls that value everything anew with other prices, costs, rates, thresholds or trellis lives. */
(() => {
  const box = document.getElementById("whatif");
  if (!box || !VMValue) return;
  const { data, words, word, state, show, zones, make } = VM, at = (id) => document.getElementById(id);
  const own = new Map(zones.map((zone) => [zone.zone_id, { ...zone }])), base = VMValue.base();
  const signed = (value) => (value > 0 ? "+" : "") + show.number(value) + VM.SPACE + "%";
  const years = (count) => word(Math.abs(count) === 1 ? "what_if_year" : "what_if_years", { n: (count > 0 ? "+" : "") + show.number(count) });
  const perTonne = data.factors.us.yield * data.factors.us.area; // short tons in a tonne
  function prices(share) {
    const all = VMValue.held.zone.price.map((one) => one * share / (state.units === "us" ? perTonne : 1)), low = Math.min(...all), high = Math.max(...all);
    const text = high - low < 0.5 ? show.money(low, 3) : word("between", { low: show.money(low, 3), high: show.money(high, 3) });
    return text + VM.unit("per_tonne");
  }
  const CONTROLS = {
    price: { low: -50, high: 50, step: 5, shown: 0, take: (value) => 1 + value / 100, say: (value) => `${signed(value)} (${prices(1 + value / 100)})` },
    cost: { low: -50, high: 100, step: 5, shown: 0, take: (value) => 1 + value / 100, say: signed },
    rate: { low: 0, high: 15, step: 0.5, shown: 100 * base.rate, take: (value) => value / 100, say: (value) => show.number(value, value % 1 ? 1 : 0) + VM.SPACE + "%" },
    threshold: { low: 50, high: 99, step: 1, shown: 100 * base.threshold, take: (value) => value / 100, say: (value) => show.number(value) + VM.SPACE + "%" },
    shift: { low: -10, high: 10, step: 1, shown: 0, take: (value) => value, say: years },
  };
  const names = Object.keys(CONTROLS), input = (name) => at("whatif-" + name), moved = new Set();
  const settings = () => Object.fromEntries(names.map((name) => [name, moved.has(name) ? CONTROLS[name].take(Number(input(name).value)) : base[name]]));
  const valueOf = (name) => (moved.has(name) ? Number(input(name).value) : CONTROLS[name].shown);
  const said = () => names.filter((name) => moved.has(name)).map((name) => `${words["what_if_" + name]} ${CONTROLS[name].say(valueOf(name))}`).join("; ");
  function label() {
    for (const name of names) {
      const text = CONTROLS[name].say(valueOf(name));
      at(`whatif-${name}-out`).textContent = text;
      input(name).setAttribute("aria-valuetext", text);
    }
  }
  function headline(results) {
    const areaOf = (all) => all.reduce((sum, one) => sum + (VM.byId.get(one.zone_id).area_ha || 0), 0), of = (advice) => results.filter((one) => one.advice === advice);
    const renew = of("renew"), opening = { 0: "headline_none", 1: "headline_one" }[renew.length] || "headline_many";
    const parts = [word(opening, { renew: renew.length, zones: results.length, area: show.area(areaOf(renew)) })], wait = VMValue.waiting(results);
    if (renew.length) parts.push(word("headline_wait_interval", { cost: show.money(wait.mean), low: show.bare(wait.low), high: show.bare(wait.high) }));
    for (const advice of ["scout", "watch"]) if (of(advice).length) parts.push(word(`headline_${advice}_${of(advice).length === 1 ? "one" : "many"}`, { [advice]: of(advice).length }));
    return parts.join("; ") + ".";
  }
  function apply(results) {
    for (const zone of zones) Object.assign(zone, own.get(zone.zone_id));
    VM.figures = null;
    if (results) {
      for (const { delay, protect, ...one } of results) Object.assign(VM.byId.get(one.zone_id), one);
      const set = settings(), changed = results.filter((one) => one.advice !== own.get(one.zone_id).advice).length;
      VM.figures = { headline: () => headline(results), own, options: (zone) => VMValue.optionsOf(zone.zone_id, set) };
      const { draws, of } = VMValue.held.counts;
      at("whatif-said").textContent = word("what_if_changed", { n: changed, all: results.length }) + (draws < of ? " " + word("what_if_draws", { draws: show.number(draws), of: show.number(of) }) : "");
    } else at("whatif-said").textContent = "";
    at("whatif-note").textContent = results ? word("what_if_note", { what: said() }) : "";
    at("whatif-note").hidden = !results;
    VM.sort();
    VM.change({ figures: Boolean(results) });
  }
  let inputs = 0;
  async function value() {
    inputs++; // what is being worked out for the last figures is no longer wanted
    label();
    if (!moved.size) { VMValue.stop(); apply(null); return; }
    const results = await VMValue.decide(settings());
    if (results) apply(results);
  }
  for (const name of names) {
    const one = CONTROLS[name], field = input(name);
    Object.assign(field, { min: one.low, max: one.high, step: one.step });
    field.value = one.shown;
    field.addEventListener("input", () => {
      if (Math.abs(Number(field.value) - one.shown) < one.step / 2) moved.delete(name);
      else moved.add(name);
      value();
    });
  }
  at("whatif-form").addEventListener("submit", (event) => event.preventDefault());
  at("whatif-reset").addEventListener("click", () => {
    moved.clear();
    for (const name of names) input(name).value = CONTROLS[name].shown;
    value();
  });
  // ---------------------------------------------------------------- what would turn the advice of one zone: each control moved alone until it does
  const walk = (name, from, to) => { const { step } = CONTROLS[name], count = Math.abs(Math.round((to - from) / step)), sign = to > from ? 1 : -1; return Array.from({ length: count }, (_, at) => from + sign * step * (at + 1)); };
  const bare = (value) => show.number(Math.abs(value)) + VM.SPACE + "%", lasting = (value) => years(Math.abs(value)).replace("+", "");
  const plain = { price: bare, cost: bare, shift: lasting, rate: CONTROLS.rate.say, threshold: CONTROLS.threshold.say };
  async function turnLines(zone, wanted) { // in small pieces, so that the page stays alive; null if no longer wanted
    const set = settings(), out = [], mine = inputs;
    for (const name of ["price", "cost", "shift", "rate", "threshold"]) for (const end of ["low", "high"]) {
      await new Promise((done) => setTimeout(done, 0));
      if (!wanted() || mine !== inputs) return null;
      const steps = walk(name, valueOf(name), CONTROLS[name][end]), values = steps.map(CONTROLS[name].take);
      const found = name === "threshold" ? VMValue.chanceTurn(zone.zone_id, set, values) : VMValue.turnOf(zone.zone_id, set, name, values);
      if (found) out.push(word(`turn_${name}_${end}`, { value: plain[name](steps[values.indexOf(found.value)]), advice: words["advice_" + found.advice] }));
    }
    if (zone.missing_pct === null && zone.symptomatic_pct === null) out.push(words.turn_count);
    return out.length ? out : [words.turn_none];
  }
  VM.turnLines = turnLines;
  VM.onChange((part) => { if ("units" in part) { label(); if (VM.figures) at("whatif-note").textContent = word("what_if_note", { what: said() }); } });
  box.addEventListener("toggle", () => { if (box.open) VMValue.warm(); });
  label();
  box.hidden = false;
})();
