"use strict";
/* What vinemap.renewal decides, on the same draws: best visit, gain, cost of waiting, value of a count, advice. */
const VMValue = (() => {
  if (!VMCash) return null;
  const { held, D, METHODS, first, horizonOf, startsOf, zoneGains, visitCosts } = VMCash, { KEPT, shareVisits } = VMVisits;
  const RENEWALS = METHODS.flatMap((method, at) => (method.protects ? [] : [at]));
  const BINS = 8, SIDES = 2 * BINS, LEAST_DRAWS = 5; // classes of the count, each cut into the half that learns and the half that judges
  const base = () => ({ price: 1, cost: 1, rate: held.money.discount_rate, threshold: held.rule.chance_threshold, shift: 0 });
  const zoneNumber = new Map(held.zone_ids.map((id, zone) => [id, zone]));

  const mean = (values) => { let sum = 0; for (let at = 0; at < values.length; at++) sum += values[at]; return sum / values.length; };
  function quantile(sorted, share) {
    const place = share * (sorted.length - 1), low = Math.floor(place), high = Math.min(low + 1, sorted.length - 1);
    return sorted[low] + (sorted[high] - sorted[low]) * (place - low);
  }
  function interval(values) {
    const sorted = values.slice().sort();
    return [quantile(sorted, 0.05), quantile(sorted, 0.95)];
  }

  // ---------------------------------------------------------------- classes of the draws by what a scout would count
  const classes = new Map(); // the same whatever the money
  function classesOf(zone) {
    if (!classes.has(zone)) classes.set(zone, classify(zone));
    return classes.get(zone);
  }
  function classify(zone) {
    const { symptomatic, look } = VMCash.arrays(), vines = held.rule.scouting_vines, count = new Float64Array(D), label = new Int32Array(D), sizes = new Int32Array(SIDES);
    for (let d = 0; d < D; d++) {
      const share = symptomatic[zone * D + d];
      count[d] = share + look[zone * D + d] * Math.sqrt(Math.max(0, share * (1 - share)) / vines);
    }
    const order = Array.from({ length: D }, (_, d) => d).sort((a, b) => count[a] - count[b] || a - b);
    order.forEach((d, rank) => { label[d] = 2 * Math.floor(rank * BINS / D) + rank % 2; sizes[label[d]]++; });
    return { label, sizes, same: count[order[0]] === count[order[D - 1]] };
  }
  function sumByClass(label, values, from, out, to) { // of D values from a place on, into SIDES sums from another on; gives their mean
    let total = 0;
    for (let at = 0; at < SIDES; at++) out[to + at] = 0;
    for (let d = 0; d < D; d++) out[to + label[d]] += values[from + d];
    for (let at = 0; at < SIDES; at++) total += out[to + at];
    return total / D;
  }
  function scoutingValue({ sizes, same }, sums, options) { // worth of choosing by the count; sums by class of each open option's gain
    if (same || !options.length) return 0;
    const best = (totalOf) => options.reduce(([top, most], o) => { const total = totalOf(o); return total > most ? [o, total] : [top, most]; }, [KEPT, 0])[0];
    const blind = [0, 1].map((side) => best((o) => { let total = 0; for (let at = side; at < SIDES; at += 2) total += sums[o * SIDES + at]; return total; }));
    let total = 0;
    for (let learn = 0; learn < SIDES; learn++) {
      const judge = learn ^ 1, side = learn & 1;
      if (sizes[learn] < LEAST_DRAWS || sizes[judge] === 0) continue;
      const informed = best((o) => sums[o * SIDES + learn]), of = (o) => (o === KEPT ? 0 : sums[o * SIDES + judge]);
      total += of(informed) - of(blind[side]);
    }
    return Math.max(0, total / D);
  }

  // ---------------------------------------------------------------- advice of one block
  const blocks = new Map();
  held.block_ids.forEach((block, zone) => blocks.set(block, [...(blocks.get(block) || []), zone]));
  function visitsOf(set, starts) { // of every renewal and winter
    const options = RENEWALS.flatMap((at) => starts.map((year, s) => ({ at, s, year }))), visits = options.map(({ at, year }) => visitCosts(at, year, set));
    return { options, visits, visit: visits.map(mean), none: !options.length };
  }
  function gainsOf(zone, place, set, starts, options) { // by draw, with their means and sums by class of the count
    const { gain, protect } = zoneGains(zone, set, starts, place), S = starts.length, { label } = classesOf(zone), sums = new Float64Array(options.length * SIDES);
    const from = ({ at, s }) => (at * S + s) * D, means = options.map((option, o) => sumByClass(label, gain, from(option), sums, o * SIDES));
    return { gain, means, sums, protect, from };
  }
  function decideBlock(members, set, starts, whole) {
    const { options, visit, none } = whole, all = members.map((zone, place) => gainsOf(zone, place, set, starts, options)), area = members.map((zone) => held.zone.area_ha[zone]);
    const kept = all.map(({ protect }, z) => (Number.isNaN(protect) ? 0 : Math.max(0, protect)) * area[z]);
    const joined = shareVisits(all.map(({ means }, z) => means.map((one) => one * area[z])), visit, area, kept, held.rule.least_area_ha);
    return members.map((zone, z) => {
      const alone = all[z].means.map((one, o) => (Number.isFinite(one) ? one : -Infinity) - visit[o] / area[z]), best = alone.reduce((top, one, o) => (one > alone[top] ? o : top), 0);
      const together = joined.reduce((sum, one, n) => sum + (joined[z] !== KEPT && one === joined[z] ? area[n] : 0), 0), share = joined[z] === KEPT ? 1 : area[z] / together;
      const chosen = none || !Number.isFinite(alone[best]) ? KEPT : joined[z] === KEPT ? best : joined[z];
      return decideZone(zone, chosen, share / area[z], all[z], whole, set);
    });
  }
  function decideZone(zone, chosen, share, { gain, means, sums, protect, from }, { options, visits, visit }, set) {
    const option = options[chosen], net = means.map((one, o) => one - share * visit[o]), values = new Float64Array(D);
    const netDraws = (o) => { const start = from(options[o]); return values.map((_, d) => gain[start + d] - share * visits[o][d]); };
    const draws = option ? netDraws(chosen) : values, worth = mean(draws), [low, high] = interval(draws), delay = option ? waitDraws(chosen, draws, worth, net, options, netDraws) : values;
    let positive = 0;
    for (let d = 0; d < D; d++) positive += draws[d] > 0;
    const [waitLow, waitHigh] = interval(delay);
    return {
      zone_id: held.zone_ids[zone], best_method: option ? METHODS[option.at].name : "", best_year: option ? option.year : null,
      gain_per_ha: worth, gain_per_ha_low: low, gain_per_ha_high: high, chance_pays: positive / D,
      wait_cost_per_ha: Math.max(0, mean(delay)), wait_cost_per_ha_low: waitLow, wait_cost_per_ha_high: waitHigh,
      scouting_value: held.zone.area_ha[zone] * countWorth(zone, share, means, sums, options, visits), horizon_year: horizonOf(zone, set), delay, protect,
    };
  }
  function waitDraws(chosen, draws, worth, net, options, netDraws) { // the best option less the best that is left once its winter has passed, or none
    if (worth <= 0) return new Float64Array(D);
    let best = KEPT, most = 0;
    options.forEach((one, o) => { if (one.s > options[chosen].s && net[o] > most) { best = o; most = net[o]; } });
    if (best === KEPT) return draws;
    const later = netDraws(best);
    return draws.map((one, d) => one - later[d]);
  }
  function countWorth(zone, share, means, sums, options, visits) {
    const found = classesOf(zone), open = options.flatMap((_, o) => (Number.isFinite(means[o]) ? [o] : [])), paid = new Float64Array(SIDES);
    let method = KEPT, fixed = 1;
    for (const o of open) { // visits of one method differ by the year's factor only
      if (options[o].at !== method) { method = options[o].at; fixed = visits[o][0]; sumByClass(found.label, visits[o], 0, paid, 0); }
      const factor = fixed ? visits[o][0] / fixed : 1;
      for (let at = 0; at < SIDES; at++) sums[o * SIDES + at] -= share * factor * paid[at];
    }
    return scoutingValue(found, sums, open);
  }
  function advise(one, threshold) {
    const zone = zoneNumber.get(one.zone_id), some = one.best_method !== "", fixed = held.fixed_advice[zone];
    if (fixed) return fixed;
    const worthwhile = some && one.gain_per_ha > held.rule.min_gain_per_ha && !(one.protect > one.gain_per_ha), due = worthwhile && one.chance_pays >= threshold && one.best_year <= first + 1;
    if (due && !held.zone.too_short[zone]) return "renew";
    if (some && (due || one.scouting_value > held.rule.scouting_cost)) return "scout";
    return held.zone.chance_declining[zone] > 0.5 || worthwhile ? "watch" : "keep";
  }

  // ---------------------------------------------------------------- whole estate, in slices that leave the page alive
  let turn = 0, last = { key: "", results: [] };
  async function decide(set, slice = 80) {
    const mine = ++turn, starts = startsOf(set), out = [], { threshold, ...worth } = set, key = JSON.stringify(worth);
    const advised = (all) => all.map((one) => ({ ...one, advice: advise(one, threshold) }));
    if (!VMCash.ready()) await VMCash.load();
    if (key === last.key) return advised(last.results); // only the chance asked for has changed
    const whole = visitsOf(set, starts);
    let began = performance.now();
    for (const members of blocks.values()) {
      out.push(...decideBlock(members, set, starts, whole));
      if (performance.now() - began > slice) {
        await new Promise((done) => setTimeout(done, 0));
        if (mine !== turn) return null; // the reader has moved on
        began = performance.now();
      }
    }
    if (mine !== turn) return null;
    last = { key, results: out };
    return advised(out);
  }
  function waiting(results) { // of all zones to renew together: on each draw their costs are added, as they share seasons and prices
    const total = new Float64Array(D);
    for (const one of results) if (one.advice === "renew") { const area = held.zone.area_ha[zoneNumber.get(one.zone_id)]; for (let d = 0; d < D; d++) total[d] += area * one.delay[d]; }
    const [low, high] = interval(total);
    return { mean: Math.max(0, mean(total)), low, high };
  }
  function optionsOf(zoneId, set) { // rows of renewal_option for one zone, each visit paid alone
    const zone = zoneNumber.get(zoneId), starts = startsOf(set), S = starts.length, { gain } = zoneGains(zone, set, starts, "one", true), area = held.zone.area_ha[zone];
    return METHODS.flatMap((method, at) => starts.flatMap((year, s) => {
      const visit = visitCosts(at, year, set), values = visit.map((one, d) => gain[(at * S + s) * D + d] - one / area);
      if (!values.every(Number.isFinite)) return [];
      return [[method.name, year, mean(values), ...interval(values), values.filter((one) => one > 0).length / D]];
    }));
  }
  function cropOf(zoneId, name, work) { // mean crop by vintage after the work; null before the draws are read
    const zone = zoneNumber.get(zoneId), at = METHODS.findIndex((method) => method.name === name);
    return !VMCash.ready() || zone === undefined || at < 0 || METHODS[at].protects ? null : VMCash.cropOf(zone, at, work);
  }
  function adviceIn(zoneId, set) { // of one zone, valued with its block
    const starts = startsOf(set), results = decideBlock(blocks.get(held.block_ids[zoneNumber.get(zoneId)]), set, starts, visitsOf(set, starts));
    const mine = results.find((one) => one.zone_id === zoneId);
    return { advice: advise(mine, set.threshold), mine };
  }
  function turnOf(zoneId, set, name, values) { // first of these values at which the advice is another, null if none
    const now = adviceIn(zoneId, set).advice;
    for (const value of values) {
      const { advice } = adviceIn(zoneId, { ...set, [name]: value });
      if (advice !== now) return { value, advice };
    }
    return null;
  }
  function chanceTurn(zoneId, set, values) { // the same for the chance asked for: nothing is valued anew
    const { mine, advice: now } = adviceIn(zoneId, set);
    for (const value of values) if (advise(mine, value) !== now) return { value, advice: advise(mine, value) };
    return null;
  }
  const stop = () => { turn++; };
  async function warm() { // while the reader looks for the slider
    await VMCash.load();
    for (const price of [1, 1.05]) if (turn < 2) await decide({ ...base(), price }, 15); // twice: what runs often runs faster
  }
  return { base, decide, cropOf, load: VMCash.load, stop, warm, waiting, optionsOf, turnOf, chanceTurn, held, ready: VMCash.ready };
})();
