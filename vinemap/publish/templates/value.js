"use strict";
/* What vinemap.renewal does, on the same draws: cash flows, shared visits, value of a count, advice. Names follow the Python. */
const VMValue = (() => {
  const held = VM.data.what_if;
  if (!held || typeof DecompressionStream === "undefined") return null;
  const { draws: D, zones: Z, years: Y } = held.counts, METHODS = held.methods, M = METHODS.length, first = held.first_year, vintage0 = held.first_vintage;
  const RENEWALS = METHODS.flatMap((method, at) => (method.protects ? [] : [at]));
  const KEPT = -1, EXACT_ZONES = 8, BINS = 8, LEAST_DRAWS = 5;
  const clip = (value, low, high) => (value < low ? low : value > high ? high : value);
  let arrays = null, keep = null;

  let loading = null;
  const load = () => (loading ||= unpack());
  async function unpack() {
    const packed = Uint8Array.from(atob(held.block), (one) => one.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    const raw = await new Response(stream).arrayBuffer();
    let at = 0;
    const read = {};
    for (const [name, count] of held.arrays) { read[name] = Float64Array.from(new Float32Array(raw, at, count)); at += 4 * count; }
    const bytes = new Uint8Array(raw, at), count = Z * D * Y;
    keep = new Float64Array(count);
    for (let one = 0, level = 0; one < count; one++) {
      const change = (bytes[one] << 8) | bytes[count + one];
      level = one % Y === 0 ? change : (level + change) & 65535;
      keep[one] = level * held.step;
    }
    arrays = read;
  }

  // ---------------------------------------------------------------- what the reader may change
  const base = () => ({ price: 1, cost: 1, rate: held.money.discount_rate, threshold: held.rule.chance_threshold, shift: 0 });
  const lastVintage = vintage0 + Y - 1, leastHorizon = Math.min(first + held.least_years, lastVintage);
  const horizonOf = (zone, set) => clip(held.zone.horizon[zone] + set.shift, leastHorizon, lastVintage);
  function startsOf(set) {
    let end = -Infinity;
    for (let zone = 0; zone < Z; zone++) end = Math.max(end, horizonOf(zone, set));
    const count = Math.max(0, Math.min(held.start_years, end - first));
    return Array.from({ length: count }, (_, at) => first + at);
  }
  const annuity = (rate, years) => (rate === 0 ? years : -Math.expm1(-years * Math.log1p(rate)) / rate);
  const power = (rate, years) => (1 + rate) ** -years;
  function paidShare(loss) {
    const m = held.money, over = Math.max(0, m.mog_share + m.mog_share_old_wood * loss - m.mog_threshold_share);
    return clip(1 - m.mog_deduction * over, 0, 1);
  }

  const room = new Map(); // numbers used again for the next block: making them anew is dear
  function buffer(name, size) {
    if (!room.has(name) || room.get(name).length < size) room.set(name, new Float64Array(size));
    return room.get(name).subarray(0, size);
  }
  // ---------------------------------------------------------------- cash flows of one zone
  function keepFlows(zone, set) {
    const m = held.money, income = buffer("income", D * Y), margin = buffer("margin", D * Y).fill(0), after = buffer("after", D * (Y + 1));
    const live = Math.max(0, horizonOf(zone, set) - vintage0 + 1), factor = Array.from({ length: Y }, (_, y) => power(set.rate, vintage0 + y - first));
    const floored = new Int32Array(D).fill(-1), falling = new Uint8Array(D).fill(1); // last vintage in which idling is better; crop never rises
    const factorFrom = new Float64Array(Y + 1), cropFrom = buffer("crop", D * (Y + 1));
    for (let y = Math.min(live, Y) - 1; y >= 0; y--) factorFrom[y] = factorFrom[y + 1] + factor[y];
    for (let d = 0; d < D; d++) {
      const price = arrays.price_factor[d] * held.zone.price[zone] * set.price, healthy = arrays.healthy[zone * D + d];
      for (let y = Y - 1; y >= 0; y--) {
        const cell = (zone * D + d) * Y + y, crop = keep[cell], at = d * Y + y, sum = d * (Y + 1) + y;
        const loss = crop < healthy ? 1 - crop / healthy : 0, over = m.mog_share + m.mog_share_old_wood * loss - m.mog_threshold_share;
        income[at] = crop * (price * (over > 0 ? Math.max(0, 1 - m.mog_deduction * over) : 1) - m.harvest_cost_per_t);
        const plain = income[at] - m.growing_cost_per_ha;
        if (y < live) {
          if (plain < -m.idle_cost_per_ha && floored[d] < 0) floored[d] = y;
          margin[at] = Math.max(plain, -m.idle_cost_per_ha);
        }
        if (y > 0 && crop > keep[cell - 1]) falling[d] = 0;
        after[sum] = after[sum + 1] + margin[at] * factor[y];
        cropFrom[sum] = y < live ? cropFrom[sum + 1] + factor[y] * crop : 0;
      }
    }
    return { income, margin, after, factor, floored, falling, factorFrom, cropFrom };
  }
  function cropAtStart(zone, d, year) {
    const index = Math.min(year - vintage0, Y - 1);
    return index < 0 ? arrays.now[zone * D + d] : keep[(zone * D + d) * Y + index];
  }
  function sickShare(zone, d, year) { // symptomatic vines by then: carried forward by the crop lost since
    const cell = zone * D + d, lost = clip((arrays.now[cell] - cropAtStart(zone, d, year)) / arrays.healthy[cell], 0, 1);
    return clip(arrays.symptomatic[cell] + lost, 0, 1);
  }
  function sickShares(zone, starts) {
    const out = buffer("sick", starts.length * D);
    starts.forEach((year, s) => { for (let d = 0; d < D; d++) out[s * D + d] = sickShare(zone, d, year); });
    return out;
  }
  function soundTake(zone, method, year) { // of a vine without symptoms
    const planted = held.zone.planted[zone], old = Math.max(0, (planted === null ? 0 : year - planted) - method.take_age_from);
    return method.take_share - method.take_drop_per_year * old;
  }
  const takeShare = (zone, d, method, at, year) => clip(soundTake(zone, method, year) - method.take_drop_symptomatic * sickShare(zone, d, year) + method.take_sd * arrays.take[at * D + d], 0, 1);
  const ramp = (shares, age) => (age <= shares.length ? shares[age - 1] : 1);
  const firstVintage = (year) => clip(year + 1 - vintage0, 0, Y);
  const remembered = new Map();
  function remember(key, make) {
    if (!remembered.has(key)) remembered.set(key, make());
    return remembered.get(key);
  }
  const weights = (rate, span) => remember(`weights ${rate} ${span}`, () => Float64Array.from({ length: span }, (_, a) => power(rate, a + 1)));
  const shapeOf = (at, span) => remember(`shape ${at} ${span}`, () => makeShape(METHODS[at], span));
  function makeShape(method, span) { // what does not change from draw to draw
    const m = held.money, out = { ramp: [], fall: [], refill: [], growing: [], care: [], young: method.crop_share_by_year_after.length };
    const heldFor = method.crop_share_by_year_after.length + method.held_years, idle = Math.min(m.growing_cost_out_of_crop_per_ha, m.growing_cost_per_ha);
    for (let age = 1; age <= span; age++) {
      const bearing = ramp(method.crop_share_by_year_after, age);
      out.ramp.push(bearing);
      out.fall.push(method.decline_speed * Math.max(0, age - heldFor));
      out.refill.push(age === 1 ? 0 : ramp(method.refill_crop_share_by_year_after, age - 1));
      out.growing.push(idle + (m.growing_cost_per_ha - idle) * bearing);
      out.care.push(method.aftercare_per_vine_by_year[age - 1] || 0);
    }
    return out;
  }
  function afterWork(zone, d, at, year, set, shape, span, weight, flows) { // sum of discounted margins after the work, less its cost
    const method = METHODS[at], m = held.money, cell = zone * D + d, healthy = arrays.healthy[cell], missing = arrays.missing[cell], rate = arrays.rate[cell];
    const take = takeShare(zone, d, method, at, year), vinesPerHa = held.zone.vines_per_ha[zone], filling = method.keeps_standing;
    const worked = filling ? missing : method.restores_stand ? 1 : 1 - missing, vines = vinesPerHa * worked;
    const full = method.full_level * healthy * (filling ? Math.min(missing, clip(1 - arrays.now[cell] / healthy, 0, 1)) : worked);
    const level = full * (method.restores_stand ? 1 : take), refills = method.refill_share && !method.restores_stand;
    const refilled = method.refill_share * (missing + (1 - missing) * (1 - take)), young = refills ? method.refill_full_level * healthy * refilled : 0;
    const tonne = arrays.price_factor[d] * held.method_price[at][zone] * set.price * paidShare(0) - m.harvest_cost_per_t;
    const factor = arrays.cost[at * D + d] * (method.protects ? 1 : set.cost), begin = firstVintage(year);
    let sum = 0;
    for (let a = 0; a < span; a++) {
      const crop = level * shape.ramp[a] * clip(1 - rate * shape.fall[a], 0, 1) + young * shape.refill[a];
      let margin = crop * tonne;
      if (filling) {
        if (begin + a < Y) margin += flows.income[d * Y + begin + a];
        margin = Math.max(margin - m.growing_cost_per_ha, -m.idle_cost_per_ha);
      } else {
        margin -= shape.growing[a];
        if (a >= shape.young) margin = Math.max(margin, -m.idle_cost_per_ha);
      }
      sum += weight[a] * (margin - factor * vines * shape.care[a]);
    }
    if (span > 0 && method.restores_stand) sum -= weight[0] * factor * vines * (1 - take) * method.cost_per_vine;
    else if (span > 0 && method.refill_share) sum -= weight[0] * factor * vinesPerHa * refilled * method.refill_cost_per_vine;
    const perHa = (method.cost_per_m ? method.cost_per_m * held.zone.metres_per_ha[zone] : 0) + method.cost_per_ha;
    return sum - factor * (method.cost_per_vine * vines + (filling ? worked : 1) * perHa);
  }
  function zoneGains(zone, set, starts, place = 0) { // (method, start, draw), NaN where closed; good until the next call with this place
    const S = starts.length, out = buffer(`gains ${place}`, M * S * D).fill(NaN), flows = keepFlows(zone, set), end = horizonOf(zone, set);
    const renewed = held.zone.renewed[zone], later = starts.map((year) => power(set.rate, year - first)), sick = sickShares(zone, starts);
    METHODS.forEach((method, at) => {
      if (!held.possible[zone][at]) return;
      const open = starts.flatMap((year, s) => (year >= end || (!method.protects && renewed !== null && year <= renewed + held.recovery_years) ? [] : [s]));
      const fill = method.protects ? protectGains : method.renews_trellis ? chainGains : renewGains;
      const sound = starts.map((year) => soundTake(zone, method, year));
      fill(out.subarray(at * S * D, (at + 1) * S * D), { zone, at, set, flows, end, starts, open, later, sick, sound });
    });
    return out;
  }
  function renewGains(out, { zone, at, set, flows, end, starts, open, later, sick, sound: taking }) {
    const method = METHODS[at], m = held.money, shape = shapeOf(at, Y), weight = weights(set.rate, Y);
    const filling = method.keeps_standing, vinesPerHa = held.zone.vines_per_ha[zone], refills = method.refill_share && !method.restores_stand;
    const perHa = (method.cost_per_m ? method.cost_per_m * held.zone.metres_per_ha[zone] : 0) + method.cost_per_ha, floor = -m.idle_cost_per_ha;
    const sound = paidShare(0), fixed = new Float64Array(Y + 1), byTake = new Float64Array(Y + 1), care = new Float64Array(Y + 1), takes = new Float64Array(starts.length), levels = new Float64Array(Y), slopes = new Float64Array(Y);
    for (let a = 0; a < Y; a++) care[a + 1] = care[a] + weight[a] * shape.care[a];
    for (let d = 0; d < D; d++) {
      const cell = zone * D + d, healthy = arrays.healthy[cell], missing = arrays.missing[cell], rate = arrays.rate[cell];
      const worked = filling ? missing : method.restores_stand ? 1 : 1 - missing, vines = vinesPerHa * worked;
      const full = method.full_level * healthy * (filling ? Math.min(missing, clip(1 - arrays.now[cell] / healthy, 0, 1)) : worked);
      const tonne = arrays.price_factor[d] * held.method_price[at][zone] * set.price * sound - m.harvest_cost_per_t, factor = arrays.cost[at * D + d] * set.cost;
      const most = refills ? method.refill_full_level * healthy * method.refill_share : 0, falls = most * (1 - missing); // refilled crop: most less falls times the take
      let least = Infinity, greatest = -Infinity;
      const luck = method.take_sd * arrays.take[at * D + d];
      for (const s of open) {
        const take = clip(taking[s] - method.take_drop_symptomatic * sick[s * D + d] + luck, 0, 1);
        takes[s] = take;
        if (take < least) least = take;
        if (take > greatest) greatest = take;
      }
      // A margin is straight in the share that takes as long as idling is not better: sums over the ages once, not for every start.
      let limit = Y; // first age from which idling may be better
      for (let a = 0; a < Y; a++) {
        const bearing = full * shape.ramp[a] * clip(1 - rate * shape.fall[a], 0, 1), young = shape.refill[a], still = method.restores_stand ? bearing : 0;
        const slope = tonne * (bearing - still - falls * young), level = tonne * (most * young + still) - (filling ? 0 : shape.growing[a]);
        levels[a] = level; slopes[a] = slope;
        fixed[a + 1] = fixed[a] + weight[a] * level;
        byTake[a + 1] = byTake[a] + weight[a] * slope;
        if (limit === Y && a >= shape.young && (level + slope * least < floor || level + slope * greatest < floor)) limit = a;
      }
      if (filling) limit = tonne < 0 ? 0 : Y;
      for (const s of open) {
        const year = starts[s], span = Math.min(end - year, Y), begin = firstVintage(year), lost = flows.after[d * (Y + 1) + begin], take = takes[s];
        if (filling && (limit < span || flows.floored[d] >= begin)) {
          out[s * D + d] = later[s] * afterWork(zone, d, at, year, set, shape, span, weight, flows) - lost;
          continue;
        }
        const sure = Math.min(limit, span);
        let value = fixed[sure] + take * byTake[sure] - factor * vines * care[span];
        for (let a = sure; a < span; a++) {
          const margin = levels[a] + take * slopes[a];
          value += weight[a] * (a >= shape.young && margin < floor ? floor : margin);
        }
        if (method.restores_stand) value -= weight[0] * factor * vines * (1 - take) * method.cost_per_vine;
        else if (method.refill_share) value -= weight[0] * factor * vinesPerHa * method.refill_share * (missing + (1 - missing) * (1 - take)) * method.refill_cost_per_vine;
        value -= factor * (method.cost_per_vine * vines + (filling ? worked : 1) * perHa);
        out[s * D + d] = later[s] * value - (filling ? 0 : lost); // what standing vines bring is the same on both sides
      }
    }
  }
  function chainGains(out, { zone, at, set, flows, end, starts, open, later, sick, sound }) {
    const method = METHODS[at], m = held.money, life = method.life_years, shape = shapeOf(at, life), weight = weights(set.rate, life);
    const recovery = 1 / annuity(set.rate, life), whole = annuity(set.rate, life), toEnd = starts.map((year) => annuity(set.rate, Math.max(0, end - year))), atEnd = power(set.rate, end - first);
    const steady = method.restores_stand && !method.keeps_standing; // then a start year changes only what is set again
    for (let d = 0; d < D; d++) {
      let reference = NaN, referenceTake = 0;
      const vines = held.zone.vines_per_ha[zone], again = weight[0] * arrays.cost[at * D + d] * set.cost * vines * method.cost_per_vine;
      for (const s of open) {
        const year = starts[s], take = clip(sound[s] - method.take_drop_symptomatic * sick[s * D + d] + method.take_sd * arrays.take[at * D + d], 0, 1);
        let worth;
        if (steady && !Number.isNaN(reference)) worth = reference + again * (take - referenceTake);
        else worth = afterWork(zone, d, at, year, set, shape, life, weight, flows) - m.removal_per_ha * weight[life - 1];
        if (steady && Number.isNaN(reference)) { reference = worth; referenceTake = take; }
        const annual = worth * recovery, credit = annual * (annual >= 0 ? toEnd[s] : whole);
        out[s * D + d] = later[s] * credit - flows.after[d * (Y + 1) + firstVintage(year)] - m.removal_per_ha * (later[s] - atEnd);
      }
    }
  }
  function protectGains(out, { zone, at, set, flows, end, starts, open, later }) {
    const method = METHODS[at], m = held.money, live = Math.min(Y, end - vintage0 + 1), sound = paidShare(0);
    const due = starts.map((year, s) => (end > year ? annuity(set.rate, end - year) * (1 + set.rate) * later[s] * method.yearly_cost_per_ha : 0));
    for (let d = 0; d < D; d++) {
      const cell = zone * D + d, tonne = arrays.price_factor[d] * held.zone.price[zone] * set.price * sound - m.harvest_cost_per_t;
      const slowed = arrays.efficacy[at * D + d] * (1 - arrays.symptomatic[cell]) * tonne;
      for (const s of open) {
        const year = starts[s], begin = year + method.effect_after_years, kept = cropAtStart(zone, d, begin), from = firstVintage(begin), sum = d * (Y + 1) + from;
        let worth = 0;
        if (from >= live) worth = 0;
        else if (slowed >= 0 && flows.falling[d] && arrays.now[cell] >= keep[cell * Y] && flows.floored[d] < from) worth = slowed * (kept * flows.factorFrom[from] - flows.cropFrom[sum]);
        else for (let y = from; y < live; y++) {
          const margin = flows.income[d * Y + y] + slowed * Math.max(0, kept - keep[cell * Y + y]) - m.growing_cost_per_ha;
          worth += flows.factor[y] * (Math.max(margin, -m.idle_cost_per_ha) - flows.margin[d * Y + y]);
        }
        out[s * D + d] = worth - arrays.cost[at * D + d] * due[s];
      }
    }
  }
  function visitCosts(at, year, set) { // by draw
    const fixed = (METHODS[at].protects ? 1 : set.cost) * METHODS[at].mobilisation_per_block * power(set.rate, year - first);
    return arrays.cost.subarray(at * D, (at + 1) * D).map((one) => one * fixed);
  }

  // ---------------------------------------------------------------- visits shared within a block
  function shareVisits(worth, visit, area, kept, least) {
    const count = area.length, extra = worth.map((row, z) => row.map((one) => (Number.isFinite(one) ? one : -Infinity) - kept[z]));
    const floor = least > 0 ? -Infinity : 0, hopeful = extra.flatMap((row, z) => (row.some((one) => one > floor) ? [z] : []));
    const out = new Array(count).fill(KEPT);
    if (!hopeful.length || !extra.some((row) => row.some((one) => one > 0))) return out;
    const mine = hopeful.map((z) => extra[z]), size = hopeful.map((z) => area[z]);
    const found = hopeful.length <= EXACT_ZONES ? shareExactly(mine, visit, size, least) : shareGreedily(mine, visit, size, least);
    hopeful.forEach((z, at) => { out[z] = found[at]; });
    return out;
  }
  function shareExactly(extra, visit, area, least) {
    const count = area.length, all = 2 ** count, pick = new Int32Array(all), value = new Float64Array(all).fill(-Infinity);
    for (let group = 0; group < all; group++) {
      let size = 0;
      for (let n = 0; n < count; n++) if (group >> n & 1) size += area[n];
      if (size < least) continue;
      for (let v = 0; v < visit.length; v++) {
        let total = 0;
        for (let n = 0; n < count; n++) if (group >> n & 1) total += extra[n][v];
        if (total - visit[v] > value[group]) { value[group] = total - visit[v]; pick[group] = v; }
      }
    }
    const best = new Float64Array(all), part = new Int32Array(all);
    for (let mask = 1; mask < all; mask++) {
      const low = mask & -mask, rest = mask ^ low;
      best[mask] = best[rest];
      for (let other = rest; ; other = (other - 1) & rest) {
        const group = other | low;
        if (value[group] + best[mask ^ group] > best[mask]) { best[mask] = value[group] + best[mask ^ group]; part[mask] = group; }
        if (other === 0) break;
      }
    }
    const out = new Array(count).fill(KEPT);
    for (let mask = all - 1; mask; ) {
      const group = part[mask];
      for (let n = 0; n < count; n++) if (group >> n & 1) out[n] = pick[group];
      mask ^= group || (mask & -mask);
    }
    return out;
  }
  function shareGreedily(extra, visit, area, least) {
    const out = new Array(area.length).fill(KEPT), now = new Array(area.length).fill(0);
    for (;;) {
      let best = -Infinity, chosen = 0;
      for (let v = 0; v < visit.length; v++) {
        let gain = -visit[v], size = 0;
        extra.forEach((row, n) => { if (row[v] - now[n] > 0) { gain += row[v] - now[n]; size += area[n]; } });
        if (size < least) gain = -Infinity;
        if (gain > best) { best = gain; chosen = v; }
      }
      if (best <= 0 || out.includes(chosen)) return out;
      extra.forEach((row, n) => { if (row[chosen] - now[n] > 0) { out[n] = chosen; now[n] = row[chosen]; } });
    }
  }

  // ---------------------------------------------------------------- value of a count
  const classes = new Map(); // of the draws by their count: the same whatever the money
  function classesOf(zone) {
    if (classes.has(zone)) return classes.get(zone);
    const vines = held.rule.scouting_vines, count = new Float64Array(D), label = new Int32Array(D), sizes = new Int32Array(2 * BINS);
    for (let d = 0; d < D; d++) {
      const share = arrays.symptomatic[zone * D + d];
      count[d] = share + arrays.look[zone * D + d] * Math.sqrt(Math.max(0, share * (1 - share)) / vines);
    }
    const order = Array.from({ length: D }, (_, d) => d).sort((a, b) => count[a] - count[b] || a - b), same = count[order[0]] === count[order[D - 1]];
    order.forEach((d, rank) => { label[d] = 2 * Math.floor(rank * BINS / D) + rank % 2; sizes[label[d]]++; });
    classes.set(zone, same ? null : { label, sizes });
    return classes.get(zone);
  }
  function scoutingValue(zone, columns, share, visits) { // gains by draw of every open renewal, and the share of its visit
    const found = classesOf(zone);
    if (!columns.length || !found) return 0;
    const { label, sizes } = found;
    const O = columns.length, sums = Array.from({ length: 2 * BINS }, () => new Float64Array(O)), own = new Float64Array(2 * BINS);
    columns.forEach((column, o) => {
      const visit = visits[o];
      own.fill(0);
      for (let d = 0; d < D; d++) own[label[d]] += column[d] - share * visit[d];
      for (let at = 0; at < 2 * BINS; at++) sums[at][o] = own[at];
    });
    const argmax = (totals) => { let best = -1, most = 0; for (let o = 0; o < O; o++) if (totals[o] > most) { most = totals[o]; best = o; } return best; }; // -1: do nothing
    const blind = [0, 1].map((side) => {
      const totals = new Float64Array(O);
      for (let at = side; at < 2 * BINS; at += 2) for (let o = 0; o < O; o++) totals[o] += sums[at][o];
      return argmax(totals);
    });
    let total = 0;
    for (let bin = 0; bin < BINS; bin++) for (const side of [0, 1]) {
      const learn = 2 * bin + side, judge = 2 * bin + 1 - side;
      if (sizes[learn] < LEAST_DRAWS || sizes[judge] === 0) continue;
      const informed = argmax(sums[learn]), of = (o) => (o < 0 ? 0 : sums[judge][o]);
      total += of(informed) - of(blind[side]);
    }
    return Math.max(0, total / D);
  }

  // ---------------------------------------------------------------- advice of one block
  const mean = (values) => { let sum = 0; for (let at = 0; at < values.length; at++) sum += values[at]; return sum / values.length; };
  function quantile(sorted, share) {
    const place = share * (sorted.length - 1), low = Math.floor(place), high = Math.min(low + 1, sorted.length - 1);
    return sorted[low] + (sorted[high] - sorted[low]) * (place - low);
  }
  const blocks = new Map();
  held.block_ids.forEach((block, zone) => blocks.set(block, [...(blocks.get(block) || []), zone]));
  function visitsOf(set, starts) { // of every renewal and winter
    const options = RENEWALS.flatMap((at) => starts.map((year, s) => ({ at, s, year }))), visits = options.map(({ at, year }) => visitCosts(at, year, set));
    return { options, visits, visit: visits.map(mean) };
  }
  function decideBlock(members, set, starts, { options, visits, visit }) {
    const S = starts.length, R = RENEWALS.length, gains = members.map((zone, place) => zoneGains(zone, set, starts, place));
    const column = (gain, at, s) => gain.subarray((at * S + s) * D, (at * S + s + 1) * D);
    const area = members.map((zone) => held.zone.area_ha[zone]);
    const meanOf = (gain, at, s) => { let sum = 0; for (let one = (at * S + s) * D, end = one + D; one < end; one++) sum += gain[one]; return sum / D; };
    const means = gains.map((gain) => options.map(({ at, s }) => meanOf(gain, at, s)));
    const protector = METHODS.findIndex((method) => method.protects);
    const protect = gains.map((gain) => (protector < 0 ? NaN : Math.max(...starts.map((_, s) => { const one = meanOf(gain, protector, s); return Number.isFinite(one) ? one : -Infinity; }))));
    const kept = protect.map((one, z) => (Number.isNaN(one) ? 0 : Math.max(0, one)) * area[z]);
    const joined = shareVisits(means.map((row, z) => row.map((one) => one * area[z])), visit, area, kept, held.rule.least_area_ha);
    return members.map((zone, z) => {
      const alone = means[z].map((one, o) => (Number.isFinite(one) ? one : -Infinity) - visit[o] / area[z]);
      const best = alone.reduce((top, one, o) => (one > alone[top] ? o : top), 0), none = !R || !S || !Number.isFinite(alone[best] ?? -Infinity);
      const option = joined[z] === KEPT ? best : joined[z], together = joined.reduce((sum, one, n) => sum + (joined[z] !== KEPT && one === joined[z] ? area[n] : 0), 0);
      const share = joined[z] === KEPT ? 1 : area[z] / together;
      return decideZone(zone, { means: means[z], visit, visits, share: share / area[z], option: none ? KEPT : option, options, protect: protect[z], S, set, gain: gains[z], column });
    });
  }
  function decideZone(zone, c) {
    const { set, options } = c, none = c.option === KEPT, chosen = none ? null : options[c.option], values = new Float64Array(D), own = (o) => c.column(c.gain, options[o].at, options[o].s);
    if (!none) { const mine = own(c.option), visit = c.visits[c.option]; for (let d = 0; d < D; d++) values[d] = mine[d] - c.share * visit[d]; }

    const sorted = Float64Array.from(values).sort(), gain = mean(values), netMean = (o) => c.means[o] - c.share * c.visit[o];
    let later = 0, positive = 0;
    if (!none) options.forEach((one, o) => { const value = netMean(o); if (one.s > chosen.s && Number.isFinite(value)) later = Math.max(later, value); });
    for (const one of values) positive += one > 0;
    const open = options.flatMap((_, o) => (Number.isFinite(c.means[o]) ? [o] : []));
    const chance = positive / D, count = held.zone.area_ha[zone] * scoutingValue(zone, open.map(own), c.share, open.map((o) => c.visits[o]));
    const delay = new Float64Array(D);
    if (!none && chosen.s + 1 < c.S) {
      const now = c.column(c.gain, chosen.at, chosen.s), next = c.column(c.gain, chosen.at, chosen.s + 1);
      for (let d = 0; d < D; d++) { const one = (now[d] - next[d]) * held.zone.area_ha[zone]; delay[d] = Number.isFinite(one) ? one : 0; }
    }
    return {
      zone_id: held.zone_ids[zone], best_method: none ? "" : METHODS[chosen.at].name, best_year: none ? null : chosen.year,
      gain_per_ha: gain, gain_per_ha_low: quantile(sorted, 0.05), gain_per_ha_high: quantile(sorted, 0.95), chance_pays: chance,
      wait_cost_per_ha: none || gain <= 0 ? 0 : Math.max(0, gain - later), scouting_value: count, horizon_year: horizonOf(zone, set),
      delay, protect: c.protect,
    };
  }
  const numberOf = new Map(held.zone_ids.map((id, zone) => [id, zone]));
  function advise(one, threshold) {
    const zone = numberOf.get(one.zone_id), some = one.best_method !== "", fixed = held.fixed_advice[zone];
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
    if (!arrays) await load();
    if (key === last.key) return advised(last.results); // only the chance asked for has changed
    remembered.clear();
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
  function waiting(results) {
    const total = new Float64Array(D);
    for (const one of results) if (one.advice === "renew") for (let d = 0; d < D; d++) total[d] += one.delay[d];
    const sorted = Float64Array.from(total).sort();
    return { mean: mean(total), low: quantile(sorted, 0.05), high: quantile(sorted, 0.95) };
  }
  function optionsOf(zoneId, set) { // rows of renewal_option for one zone, each visit paid alone
    const zone = held.zone_ids.indexOf(zoneId), starts = startsOf(set), S = starts.length, gain = zoneGains(zone, set, starts, "one"), out = [];
    METHODS.forEach((method, at) => starts.forEach((year, s) => {
      const values = gain.slice((at * S + s) * D, (at * S + s + 1) * D);
      if (!values.every(Number.isFinite)) return;
      let positive = 0;
      const visit = visitCosts(at, year, set);
      for (let d = 0; d < D; d++) { values[d] -= visit[d] / held.zone.area_ha[zone]; positive += values[d] > 0; }
      const value = mean(values);
      values.sort();
      out.push([method.name, year, value, quantile(values, 0.05), quantile(values, 0.95), positive / D]);
    }));
    return out;
  }
  function cropOf(zoneId, name, work) { // mean crop by vintage if this is done in that winter; null before the draws are read
    const zone = held.zone_ids.indexOf(zoneId), at = METHODS.findIndex((method) => method.name === name), method = METHODS[at];
    if (!arrays || zone < 0 || at < 0 || method.protects) return null;
    const from = firstVintage(work), shape = shapeOf(at, Math.max(Y, method.life_years)), out = [];
    for (let y = from; y < Y; y++) {
      let sum = 0;
      for (let d = 0; d < D; d++) {
        const cell = zone * D + d, healthy = arrays.healthy[cell], missing = arrays.missing[cell], take = takeShare(zone, d, method, at, work), filling = method.keeps_standing;
        const full = method.full_level * healthy * (filling ? Math.min(missing, clip(1 - arrays.now[cell] / healthy, 0, 1)) : method.restores_stand ? 1 : 1 - missing);
        const refilled = method.restores_stand ? 0 : method.refill_share * (missing + (1 - missing) * (1 - take)), a = y - from;
        sum += full * (method.restores_stand ? 1 : take) * shape.ramp[a] * clip(1 - arrays.rate[cell] * shape.fall[a], 0, 1) + method.refill_full_level * healthy * refilled * shape.refill[a] + (filling ? keep[cell * Y + y] : 0);
      }
      out.push([vintage0 + y, sum / D]);
    }
    return out;
  }
  const stop = () => { turn++; };
  async function warm() { // while the reader looks for the slider
    await load();
    if (turn === 0) await decide(base(), 15);
  }
  return { base, decide, cropOf, load, stop, warm, waiting, optionsOf, held, ready: () => Boolean(arrays) };
})();
