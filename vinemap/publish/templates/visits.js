"use strict";
/* Which zones of a block are worked in one visit: every split of few zones is tried, many are joined one by one. */
const VMVisits = (() => {
  const KEPT = -1, EXACT_ZONES = 8;
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
  return { KEPT, shareVisits };
})();
