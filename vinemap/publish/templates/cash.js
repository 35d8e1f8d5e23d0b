"use strict";
/* Cash flows of vinemap.renewal on the same draws: what keeping brings, and what each method in each winter brings over it. */
const VMCash = (() => {
  const held = VM.data.what_if;
  if (!held || typeof DecompressionStream === "undefined") return null;
  const { draws: D, zones: Z, years: Y } = held.counts, METHODS = held.methods, M = METHODS.length, first = held.first_year, vintage0 = held.first_vintage;
  const MOST_STARTS = held.start_years, money = held.money, floor = -money.idle_cost_per_ha; // a margin is never below that of idling
  const clip = (value, low, high) => (value < low ? low : value > high ? high : value);
  const paidShare = (loss) => clip(1 - money.mog_deduction * Math.max(0, money.mog_share + money.mog_share_old_wood * loss - money.mog_threshold_share), 0, 1);

  // ---------------------------------------------------------------- draws
  // By zone, vintage and draw, draws next to one another: crop kept, and how much of it is paid for [t/ha]. By zone and draw: whether the crop never rises.
  let arrays = null, keep = null, sold = null, falling = null;
  const cellOf = (zone, y) => (zone * Y + y) * D;
  let loading = null;
  const load = () => (loading ||= unpack());
  async function unpack() {
    const packed = Uint8Array.from(atob(held.block), (one) => one.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    const raw = await new Response(stream).arrayBuffer();
    let at = 0;
    const read = {};
    for (const [name, count] of held.arrays) { read[name] = Float64Array.from(new Float32Array(raw, at, count)); at += 4 * count; }
    unpackCrop(new Uint8Array(raw, at), read);
    arrays = read;
  }
  function unpackCrop(bytes, { healthy, now }) {
    const count = Z * D * Y;
    keep = new Float64Array(count); sold = new Float64Array(count); falling = new Uint8Array(Z * D).fill(1);
    for (let draw = 0; draw < Z * D; draw++) {
      let level = 0, before = now[draw];
      for (let y = 0; y < Y; y++) {
        level = (level + ((bytes[draw * Y + y] << 8) | bytes[count + draw * Y + y])) & 65535;
        const crop = level * held.step, cell = cellOf(Math.floor(draw / D), y) + draw % D;
        keep[cell] = crop;
        sold[cell] = crop * paidShare(crop < healthy[draw] ? 1 - crop / healthy[draw] : 0);
        if (crop > before) falling[draw] = 0;
        before = crop;
      }
    }
  }

  // ---------------------------------------------------------------- years and factors
  const lastVintage = vintage0 + Y - 1, leastHorizon = Math.min(first + held.least_years, lastVintage);
  const horizonOf = (zone, set) => clip(held.zone.horizon[zone] + set.shift, leastHorizon, lastVintage);
  function startsOf(set) {
    let end = -Infinity;
    for (let zone = 0; zone < Z; zone++) end = Math.max(end, horizonOf(zone, set));
    return Array.from({ length: Math.max(0, Math.min(MOST_STARTS, end - first)) }, (_, at) => first + at);
  }
  const YEARS = MOST_STARTS + Math.max(Y, ...METHODS.map((method) => method.life_years || 0)) + 2; // no amount lies further ahead
  let worths = { rate: NaN }; // of 1 after so many years, and of 1 in each of so many years, at one discount rate
  function worthsAt(rate) {
    if (worths.rate === rate) return worths;
    const years = Float64Array.from({ length: YEARS }, (_, at) => at);
    worths = { rate, one: years.map((n) => (1 + rate) ** -n), each: years.map((n) => (rate === 0 ? n : -Math.expm1(-n * Math.log1p(rate)) / rate)) };
    return worths;
  }
  const firstVintage = (year) => clip(year + 1 - vintage0, 0, Y);
  const nothing = new Float64Array(D), room = new Map(); // numbers used again for the next zone: making them anew is dear
  function buffer(name, size) {
    if (!room.has(name) || room.get(name).length < size) room.set(name, new Float64Array(size));
    return room.get(name).subarray(0, size);
  }

  // ---------------------------------------------------------------- keeping
  function keepFlows(zone, set) { // by vintage and draw: margin if grown, margin, discounted margin and crop of this and all later vintages
    const price = held.zone.price[zone] * set.price, harvest = money.harvest_cost_per_t, growing = money.growing_cost_per_ha, live = clip(horizonOf(zone, set) - vintage0 + 1, 0, Y);
    const grown = buffer("grown", Y * D), margin = buffer("margin", Y * D), after = buffer("after", (Y + 1) * D), cropFrom = buffer("crop", (Y + 1) * D);
    const factor = buffer("factor", Y), factorFrom = buffer("factor from", Y + 1), idleTo = buffer("idle to", D).fill(-1), { one } = worthsAt(set.rate); // last vintage in which idling is better
    let idleFrom = live; // first such vintage on any draw
    after.fill(0, Y * D); cropFrom.fill(0, Y * D); factorFrom[Y] = 0;
    for (let y = Y - 1; y >= 0; y--) {
      const cell = cellOf(zone, y), at = y * D, next = at + D, share = factor[y] = one[vintage0 + y - first], counts = y < live ? share : 0;
      factorFrom[y] = factorFrom[y + 1] + counts;
      for (let d = 0; d < D; d++) {
        let worth = grown[at + d] = sold[cell + d] * arrays.price_factor[d] * price - keep[cell + d] * harvest - growing;
        if (worth < floor) {
          worth = floor;
          if (y < live) { idleFrom = y; if (idleTo[d] < y) idleTo[d] = y; }
        }
        margin[at + d] = worth;
        after[at + d] = after[next + d] + counts * worth;
        cropFrom[at + d] = cropFrom[next + d] + counts * keep[cell + d];
      }
    }
    return { live, grown, margin, after, factor, factorFrom, cropFrom, idleFrom, idleTo };
  }
  function cropAtStart(zone, d, year) {
    const index = Math.min(year - vintage0, Y - 1);
    return index < 0 ? arrays.now[zone * D + d] : keep[cellOf(zone, index) + d];
  }

  // ---------------------------------------------------------------- what takes: the same whatever the money
  const takes = Array.from({ length: Z }, () => new Array(M).fill(null));
  function takesOf(zone, at) { // share of worked vines that take, by start and draw
    return (takes[zone][at] ||= countTakes(zone, METHODS[at], at));
  }
  function countTakes(zone, method, at) {
    const out = new Float32Array(MOST_STARTS * D), planted = held.zone.planted[zone];
    for (let s = 0; s < MOST_STARTS; s++) {
      const year = first + s, old = Math.max(0, (planted === null ? 0 : year - planted) - method.take_age_from), sound = method.take_share - method.take_drop_per_year * old;
      for (let d = 0; d < D; d++) { // symptomatic vines by then: carried forward by the crop lost since
        const cell = zone * D + d, lost = clip((arrays.now[cell] - cropAtStart(zone, d, year)) / arrays.healthy[cell], 0, 1);
        const sick = clip(arrays.symptomatic[cell] + lost, 0, 1);
        out[s * D + d] = clip(sound - method.take_drop_symptomatic * sick + method.take_sd * arrays.take[at * D + d], 0, 1);
      }
    }
    return out;
  }

  // ---------------------------------------------------------------- crop and cost after the work: the same whatever the prices
  const ramp = (shares, age) => (age <= shares.length ? shares[age - 1] : 1);
  const shapes = METHODS.map(makeShape);
  function makeShape(method) { // by age, the same on every draw
    const span = method.renews_trellis ? method.life_years : Y, ages = Math.max(Y, span), young = method.crop_share_by_year_after.length, of = (make) => Float64Array.from({ length: ages }, (_, a) => make(a + 1));
    const idle = Math.min(money.growing_cost_out_of_crop_per_ha, money.growing_cost_per_ha), bearing = (age) => ramp(method.crop_share_by_year_after, age);
    return {
      span, ages, young, ramp: of(bearing),
      fall: of((age) => method.decline_speed * Math.max(0, age - young - method.held_years)),
      refill: of((age) => (age === 1 ? 0 : ramp(method.refill_crop_share_by_year_after, age - 1))),
      growing: of((age) => idle + (money.growing_cost_per_ha - idle) * bearing(age)),
      care: of((age) => method.aftercare_per_vine_by_year[age - 1] || 0),
    };
  }
  const workedShare = (method, missing) => (method.keeps_standing ? missing : method.restores_stand ? 1 : 1 - missing);
  const sure = buffer("sure", Math.max(...shapes.map((one) => one.ages), 1)), taken = buffer("taken", sure.length);
  function cropsAfter(zone, at, d) { // crop by age [t/ha] is sure + taken times the share that takes
    const method = METHODS[at], { ramp: bearing, fall, refill, ages } = shapes[at], cell = zone * D + d, healthy = arrays.healthy[cell], missing = arrays.missing[cell];
    const most = method.keeps_standing ? Math.min(missing, clip(1 - arrays.now[cell] / healthy, 0, 1)) : workedShare(method, missing), full = method.full_level * healthy * most;
    const refilled = method.restores_stand ? 0 : method.refill_full_level * healthy * method.refill_share;
    if (method.restores_stand) growCrops(sure, taken, full, 0, arrays.rate[cell], 0, bearing, fall, refill, ages);
    else growCrops(taken, sure, full, refilled, arrays.rate[cell], refilled * (1 - missing), bearing, fall, refill, ages);
  }
  function growCrops(main, side, full, refilled, rate, failed, bearing, fall, refill, ages) {
    for (let a = 0; a < ages; a++) {
      const left = 1 - rate * fall[a];
      main[a] = full * bearing[a] * (left < 0 ? 0 : left) - failed * refill[a];
      side[a] = refilled * refill[a];
    }
  }
  const works = Array.from({ length: Z }, () => new Array(M).fill(null));
  function workOf(zone, at, set, spans) { // kept while discount rate and trellis life stay as they are
    const key = `${set.rate} ${set.shift}`, size = MOST_STARTS * D, work = (works[zone][at] ||= { key: "", tonnes: new Float32Array(size), costs: new Float32Array(size), least: new Float32Array(D) });
    if (work.key !== key) { work.key = key; weighWork(work, zone, at, set.rate, spans); }
    return work;
  }
  function weighWork({ tonnes, costs, least }, zone, at, rate, spans) { // discounted tonnes and costs by start and draw; least crop in full bearing by draw
    const method = METHODS[at], { span, young } = shapes[at], take = takesOf(zone, at), { weight, care } = weightsOf(at, rate), longest = Math.max(0, ...spans), S = spans.length;
    const perVine = method.cost_per_vine, vinesPerHa = held.zone.vines_per_ha[zone], perHa = (method.cost_per_m ? method.cost_per_m * held.zone.metres_per_ha[zone] : 0) + method.cost_per_ha;
    const restores = method.restores_stand, filling = method.keeps_standing, refill = restores ? 0 : vinesPerHa * method.refill_share * method.refill_cost_per_vine, from = filling ? 0 : young;
    const sureSum = buffer("sure sum", span + 1), takenSum = buffer("taken sum", span + 1);
    for (let d = 0; d < D; d++) {
      const missing = arrays.missing[zone * D + d], worked = workedShare(method, missing), vines = vinesPerHa * worked, once = perVine * vines + (filling ? worked : 1) * perHa;
      cropsAfter(zone, at, d);
      sumCrops(sureSum, takenSum, weight, longest);
      let lowest = 1, highest = 0;
      for (let s = 0, cell = d; s < S; s++, cell += D) {
        const share = take[cell], length = spans[s], again = restores ? vines * (1 - share) * perVine : refill * (missing + (1 - missing) * (1 - share)); // failed vines set again, or failed and missing ones refilled
        if (share < lowest) lowest = share;
        if (share > highest) highest = share;
        tonnes[cell] = sureSum[length] + share * takenSum[length];
        costs[cell] = once + vines * care[length] + (length > 0 ? weight[0] * again : 0);
      }
      least[d] = leastCrop(from, longest, lowest, highest);
    }
  }
  function sumCrops(sureSum, takenSum, weight, ages) {
    for (let a = 0; a < ages; a++) {
      sureSum[a + 1] = sureSum[a] + weight[a] * sure[a];
      takenSum[a + 1] = takenSum[a] + weight[a] * taken[a];
    }
  }
  function leastCrop(from, ages, lowest, highest) { // over the ages in full bearing and over the shares that may take
    let least = Infinity;
    for (let a = from; a < ages; a++) {
      const crop = sure[a] + taken[a] * (taken[a] < 0 ? highest : lowest);
      if (crop < least) least = crop;
    }
    return least;
  }
  function sumUp(weight, values) {
    const out = new Float64Array(weight.length + 1);
    for (let a = 0; a < weight.length; a++) out[a + 1] = out[a] + weight[a] * values[a];
    return out;
  }
  let weighed = { rate: NaN, shapes: [] }; // discount factors by age, and sums of growing cost and care with them, for one discount rate
  function weightsOf(at, rate) {
    if (weighed.rate !== rate) weighed = { rate, shapes: [] };
    return (weighed.shapes[at] ||= weighShape(shapes[at], rate));
  }
  function weighShape(shape, rate) {
    const weight = Float64Array.from({ length: shape.span }, (_, a) => worthsAt(rate).one[a + 1]);
    return { weight, growing: sumUp(weight, shape.growing), care: sumUp(weight, shape.care) };
  }

  // ---------------------------------------------------------------- gains over keeping of one zone
  function zoneGains(zone, set, starts, place = 0, exact = false) { // by method, start and draw, NaN where closed, good until the next call with this place; highest mean of protection, NaN without it
    const S = starts.length, gain = buffer(`gains ${place}`, M * S * D).fill(NaN), flows = keepFlows(zone, set), end = horizonOf(zone, set);
    const renewed = held.zone.renewed[zone], later = starts.map((_, s) => worthsAt(set.rate).one[s]);
    let protect = NaN;
    METHODS.forEach((method, at) => {
      if (!held.possible[zone][at]) return;
      const shut = (year) => year >= end || (!method.protects && renewed !== null && year <= renewed + held.recovery_years);
      const open = starts.flatMap((year, s) => (shut(year) ? [] : [s])), out = gain.subarray(at * S * D, (at + 1) * S * D), given = { zone, at, set, flows, end, starts, open, later };
      if (method.protects) protect = protectGains(out, given, exact);
      else workGains(out, given);
    });
    return { gain, protect };
  }
  function workGains(out, { zone, at, set, flows, end, starts, open, later }) {
    const method = METHODS[at], shape = shapes[at], chain = method.renews_trellis, filling = method.keeps_standing && !chain;
    const spans = starts.map((year) => (chain ? shape.span : clip(end - year, 0, Y))), { tonnes, costs, least } = workOf(zone, at, set, spans), { weight, growing } = weightsOf(at, set.rate), take = takesOf(zone, at);
    const price = held.method_price[at][zone] * set.price * paidShare(0), tonne = buffer("tonne", D), factor = buffer("cost", D), idles = buffer("idles", D); // last vintage in which idling may be better, -1 for none
    for (let d = 0; d < D; d++) {
      tonne[d] = arrays.price_factor[d] * price - money.harvest_cost_per_t;
      factor[d] = arrays.cost[at * D + d] * set.cost;
      if (filling) idles[d] = tonne[d] < 0 ? Y : flows.idleTo[d];
      else idles[d] = tonne[d] * least[d] - money.growing_cost_per_ha < floor ? Y : -1;
    }
    for (const s of open) {
      const from = s * D, lost = firstVintage(starts[s]) * D;
      if (chain) { overKeeping(out, from, tonne, tonnes, growing[spans[s]], factor, costs, 1, nothing, 0); chainWorth(out, from, shape.span, set.rate, starts[s], end, flows.after, lost); }
      else if (filling) overKeeping(out, from, tonne, tonnes, 0, factor, costs, later[s], nothing, 0); // what standing vines bring is the same on both sides
      else overKeeping(out, from, tonne, tonnes, growing[spans[s]], factor, costs, later[s], flows.after, lost);
    }
    for (let d = 0; d < D; d++) {
      if (idles[d] < 0) continue;
      cropsAfter(zone, at, d);
      for (const s of open) {
        const cell = s * D + d, begin = firstVintage(starts[s]);
        if (idles[d] < begin) continue;
        const worth = flooredMargins(shape, weight, spans[s], take[cell], tonne[d], filling ? flows.grown : null, begin, d) - factor[d] * costs[cell];
        out[cell] = (chain ? chainValue(worth, shape.span, set.rate, starts[s], end) : later[s] * worth) - flows.after[begin * D + d];
      }
    }
  }
  function overKeeping(out, from, tonne, tonnes, growing, factor, costs, later, lost, place) {
    for (let d = 0; d < D; d++) out[from + d] = later * (tonne[d] * tonnes[from + d] - growing - factor[d] * costs[from + d]) - lost[place + d];
  }
  function flooredMargins(shape, weight, span, share, tonne, grown, begin, d) { // age by age, idling open in full bearing; of the crop of `cropsAfter`
    let total = 0;
    for (let a = 0; a < span; a++) {
      let margin = (sure[a] + share * taken[a]) * tonne;
      if (grown === null) margin -= shape.growing[a];
      else margin += begin + a < Y ? grown[(begin + a) * D + d] : -money.growing_cost_per_ha; // infill comes on top of what standing vines bring
      total += weight[a] * ((grown !== null || a >= shape.young) && margin < floor ? floor : margin);
    }
    return total;
  }
  function chainValue(worth, life, rate, year, end) { // a planting that goes with a new trellis: its equal yearly value to the horizon, the old one pulled early
    const one = new Float64Array(1).fill(worth);
    chainWorth(one, 0, life, rate, year, end, nothing, 0);
    return one[0];
  }
  function chainWorth(out, from, life, rate, year, end, lost, place) {
    const { one, each } = worthsAt(rate), whole = each[life], left = each[Math.max(0, end - year)], later = one[year - first], scrap = money.removal_per_ha * one[life], early = money.removal_per_ha * (later - one[end - first]);
    for (let d = 0; d < D && from + d < out.length; d++) {
      const annual = (out[from + d] - scrap) / whole;
      out[from + d] = later * annual * (annual >= 0 ? left : whole) - early - lost[place + d];
    }
  }
  function protectGains(out, { zone, at, set, flows, end, starts, open, later }, exact) { // gives the highest mean over the winters, never below 0; unless `exact`, rows that cannot reach it may hold more than is saved
    const method = METHODS[at], { live, factor, grown, margin } = flows, price = held.zone.price[zone] * set.price * paidShare(0), slowed = buffer("slowed", D), kept = buffer("kept", D);
    let best = 0, falls = true; // on every draw the crop falls every year
    for (let d = 0; d < D; d++) {
      slowed[d] = arrays.efficacy[at * D + d] * (1 - arrays.symptomatic[zone * D + d]) * (arrays.price_factor[d] * price - money.harvest_cost_per_t);
      if (!falling[zone * D + d] || slowed[d] < 0) falls = false;
    }
    for (const s of open) {
      const begin = starts[s] + method.effect_after_years, from = Math.min(firstVintage(begin), live), until = falls ? Math.max(from, flows.idleFrom) : from; // so far no vintage is left idle: one sum does
      const due = worthsAt(set.rate).each[end - starts[s]] * (1 + set.rate) * later[s] * method.yearly_cost_per_ha, row = s * D, sum = (to) => sumSaved(out, row, slowed, kept, flows, from, to, at, due);
      for (let d = 0; d < D; d++) kept[d] = cropAtStart(zone, d, begin);
      if (falls && !exact && sum(live) <= best) continue; // idling would only lessen what is saved
      let saved = sum(until);
      for (let y = until; y < live; y++) saved = addSaved(out, row, slowed, kept, cellOf(zone, y), grown, margin, y * D, factor[y]);
      if (saved > best) best = saved;
    }
    return best;
  }
  function sumSaved(out, row, slowed, kept, { factorFrom, cropFrom }, from, until, at, due) { // of the vintages from one up to another, less what the protection costs; gives the mean
    const years = factorFrom[from] - factorFrom[until];
    let total = 0;
    for (let d = 0; d < D; d++) total += out[row + d] = slowed[d] * (kept[d] * years - (cropFrom[from * D + d] - cropFrom[until * D + d])) - arrays.cost[at * D + d] * due;
    return total / D;
  }
  function addSaved(out, row, slowed, kept, cell, grown, margin, place, factor) { // of one vintage; gives the mean so far
    let total = 0;
    for (let d = 0; d < D; d++) {
      const lost = kept[d] - keep[cell + d], one = grown[place + d] + (lost > 0 ? slowed[d] * lost : 0);
      total += out[row + d] += factor * ((one > floor ? one : floor) - margin[place + d]);
    }
    return total / D;
  }
  function visitCosts(at, year, set) { // by draw
    const fixed = (METHODS[at].protects ? 1 : set.cost) * METHODS[at].mobilisation_per_block * worthsAt(set.rate).one[year - first];
    return arrays.cost.subarray(at * D, (at + 1) * D).map((one) => one * fixed);
  }
  function cropOf(zone, at, work) { // mean crop by vintage if this is done in that winter
    const method = METHODS[at], begin = firstVintage(work), take = takesOf(zone, at), start = clip(work - first, 0, MOST_STARTS - 1), total = new Float64Array(Y);
    for (let d = 0; d < D; d++) {
      cropsAfter(zone, at, d);
      for (let y = begin, a = 0; y < Y; y++, a++) total[y] += sure[a] + take[start * D + d] * taken[a] + (method.keeps_standing ? keep[cellOf(zone, y) + d] : 0);
    }
    return Array.from(total.subarray(begin), (one, a) => [vintage0 + begin + a, one / D]);
  }
  return { held, load, ready: () => Boolean(arrays), arrays: () => arrays, D, METHODS, first, horizonOf, startsOf, zoneGains, visitCosts, cropOf };
})();
