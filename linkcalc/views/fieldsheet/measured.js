"use strict";
// What the readings say, weighed as the survey does: sums over the library's grid of the library's tables.

const M = {}; // the tables, unpacked by measuredTables

function measuredTables(given) {
  const floats = (table) => Float64Array.from(decoded(table), (v) => table.first + v * table.step);
  Object.assign(M, given);
  M.fadeCount = given.fades.count;
  M.below = floats(given.fades.belowLogit).map((v) => 1 / (1 + Math.exp(-v)));
  M.stillBelow = floats(given.fades.stillBelow);
  M.density = floats(given.fades.densityLog).map(Math.exp);
  M.provenTable = decoded(given.proven);
}


const median = (values) => quantile(values, 0.5);

function quantile(values, share) {
  const sorted = [...values].sort((a, b) => a - b);
  const at = share * (sorted.length - 1);
  const low = Math.floor(at);
  return sorted[low] + (at - low) * (sorted[Math.min(low + 1, sorted.length - 1)] - sorted[low]);
}

function logSum(values) {
  const top = Math.max(...values);
  return top + Math.log(values.reduce((sum, v) => sum + Math.exp(v - top), 0));
}

const logFree = (values) => {
  const all = logSum(values);
  return values.map((v) => v - all);
};

function normalBelow(x) {
  const { step, most, values } = M.normal;
  const at = Math.min(Math.max((x + most) / step, 0), values.length - 1);
  const low = Math.min(Math.floor(at), values.length - 2);
  return values[low] + (at - low) * (values[low + 1] - values[low]);
}

const fadeIndex = (value) => Math.min(Math.max(Math.round((value - M.fades.first) / M.fades.step), 0), M.fadeCount - 1);
const fadeBelow = (kind, value) => M.below[kind * M.fadeCount + fadeIndex(value)];

// ---------------------------------------------------------------- one reading

// Signal, noise and head of a reading; null where it does not tell. `at` is what is expected for it.
function takenApart(reading, at) {
  const { rssi_dbm: rssi, snr_db: snr } = reading;
  if (rssi === null && snr === null) return null;
  const both = rssi !== null && snr !== null;
  const believed = snr !== null && snr < data.snrBelieved;
  const heard = both ? rssi + between(data.snr, data.signalOverRssi, -snr) : null;
  const impossible = both && heard < at.thermal - 3;
  let signal = impossible ? null : signalPower(reading, at.noise);
  if (believed && (impossible || rssi === null)) signal = at.noise + snr;
  if (signal === null) return { signal: null, impossible };
  const head = Math.max((believed ? snr : signal - at.noise) - at.required, -3);
  return {
    signal,
    head,
    impossible,
    noise: both && believed && !impossible ? heard : null,
    noiseMost: both && believed ? null : both && !impossible ? heard : signal - at.required,
    undecodable: snr !== null && snr < at.required - 3,
  };
}

// Density of a reading of level for each apparent excess on a grid, per dB, given that it was heard.
const densities = new Map();
function densityOf(kind, shift, head, packets, first, count) {
  const key = [kind, shift.toFixed(2), head.toFixed(2), packets, first, count].join();
  const known = densities.get(key);
  if (known) return known;
  if (densities.size > 4000) densities.clear();
  const { errorSteps, errorWeight, middleScale } = M;
  const step = M.fades.step;
  const row = kind * M.fadeCount;
  const found = new Float64Array(count);
  const k = (packets - 1) / 2;
  for (let i = 0; i < count; i++) {
    const apparent = shift + first + i * M.step;
    const unheard = fadeBelow(kind, apparent - head);
    const at = fadeIndex(apparent);
    let mean = 0;
    for (let e = 0; e < errorSteps.length; e++) {
      if (head <= errorSteps[e] * step) continue;
      const j = row + Math.min(Math.max(at - errorSteps[e], 0), M.fadeCount - 1);
      let value = M.density[j];
      if (packets > 1) {
        const below = M.below[j];
        value *= (4 * Math.max(below - unheard, 0) * (1 - below)) ** k * middleScale[packets - 1];
      }
      mean += value * errorWeight[e];
    }
    found[i] = mean / Math.max((1 - unheard) ** packets, 1e-300);
  }
  densities.set(key, found);
  return found;
}

// ---------------------------------------------------------------- one direction of one group

// Log likelihood of what was heard over the grid of the excess, and the noise that goes with each.
function part(heard, grid, kind) {
  const n = grid.length;
  const noises = [heard.noise, ...heard.counts.map((c) => c.noise)];
  const measuredNoises = [...new Set(noises.filter((x) => x !== null))];
  const offsets = heard.levels.length || measuredNoises.length ? M.offsets : [0];
  const offsetWeight = logFree(
    offsets.map(
      (o) =>
        -0.5 * (o / M.offset) ** 2 -
        measuredNoises.reduce((sum, x) => sum + (0.5 * (x.shift - o) ** 2) / (M.unplanned ** 2 + x.error ** 2), 0),
    ),
  );
  const loose = (x) => (x === null ? Math.hypot(heard.place, heard.time) : (x.error * M.unplanned) / Math.hypot(x.error, M.unplanned));
  let rises = [0];
  let riseWeight = [0];
  if (noises.includes(null)) {
    rises = M.rises;
    const half = logFree(rises.map((r) => -0.5 * (r / M.unplanned) ** 2));
    riseWeight = logFree(
      rises.map((r, i) => {
        const prior = r > 0 ? Math.log(M.unplannedShare) + half[i] : Math.log(1 - M.unplannedShare);
        return prior + Math.log(Math.max(normalBelow((heard.noiseMost - r) / M.offset), 1e-12));
      }),
    );
  }
  const points = rises.length === 1 ? 9 : 5;
  const wide = Math.max(...noises.map(loose)) >= 0.25;
  const z = wide ? Array.from({ length: points }, (_, i) => -3 + (6 * i) / (points - 1)) : [0];
  const zWeight = logFree(z.map((v) => -0.5 * v * v));
  const states = [];
  offsets.forEach((offset, o) =>
    z.forEach((v, i) =>
      rises.forEach((rise, j) => states.push({ offset, v, rise, weight: offsetWeight[o] + zWeight[i] + riseWeight[j] })),
    ),
  );
  const noiseOf = (x, s, stays = 1) => {
    if (x === null) return stays * loose(null) * s.v + s.rise;
    const kept = M.unplanned ** 2 / (M.unplanned ** 2 + x.error ** 2);
    return kept * (x.shift - s.offset) + loose(x) * s.v;
  };
  // levels over the grid widened by the offsets
  const reach = Math.round(Math.max(...offsets.map(Math.abs)) / M.step);
  const levels = new Float64Array(n + 2 * reach);
  const rights = heard.levels.map((l) => densityOf(kind, l.shift, Math.min(l.head, 40), Math.min(l.packets, M.independent), grid[0] - reach * M.step, levels.length));
  const floor = M.wrong / M.scale;
  rights.forEach((right) => {
    for (let i = 0; i < levels.length; i++) levels[i] += Math.log((1 - M.wrong) * right[i] + floor);
  });
  const tables = heard.counts.map((count) => lossTable(count, kind));
  const log = new Float64Array(n);
  const year = new Float64Array(states.length);
  const total = loose(null);
  const stays = total ? (heard.place / total) ** 2 : 0;
  states.forEach((s, k) => (year[k] = noiseOf(heard.noise, s, stays)));
  const weights = new Float64Array(n * states.length);
  const shifts = states.map((s) => reach - Math.round(s.offset / M.step));
  const losses = heard.counts.map((count) => states.map((s) => noiseOf(count.noise, s) - count.margin));
  for (let i = 0; i < n; i++) {
    const row = i * states.length;
    let top = -Infinity;
    for (let k = 0; k < states.length; k++) {
      let value = levels[i + shifts[k]] + states[k].weight;
      for (let c = 0; c < tables.length; c++) value += tables[c].log[lossIndex(grid[i] + losses[c][k])];
      weights[row + k] = value;
      if (value > top) top = value;
    }
    let sum = 0;
    for (let k = 0; k < states.length; k++) sum += weights[row + k] = Math.exp(weights[row + k] - top);
    for (let k = 0; k < states.length; k++) weights[row + k] /= sum;
    log[i] = top + Math.log(sum);
  }
  return { log, weights, year, states, rights, shifts, tables, losses, reach };
}

// Packets counted: log likelihood and the share lost otherwise, by how deep a fade loses them, in double steps.
const lossTables = new Map();
function lossTable(count, kind) {
  const key = [kind, count.sent, count.received].join();
  if (lossTables.has(key)) return lossTables.get(key);
  if (lossTables.size > 200) lossTables.clear();
  const size = Math.floor((M.fadeCount + 1) / 2);
  const found = { log: new Float64Array(size), otherwise: new Float64Array(size) };
  for (let i = 0; i < size; i++) {
    const faded = M.below[kind * M.fadeCount + 2 * i];
    const each = M.unexplained.map((u, j) => {
      const lost = faded + (1 - faded) * u;
      return count.received * Math.log1p(-lost) + (count.sent - count.received) * Math.log(lost) + M.unexplainedLogWeight[j];
    });
    found.log[i] = logSum(each);
    found.otherwise[i] = each.reduce((sum, v, j) => sum + Math.exp(v - found.log[i]) * M.unexplained[j], 0);
  }
  lossTables.set(key, found);
  return found;
}

// A fade of minus the margin loses the packet.
function lossIndex(minusMargin) {
  const at = Math.round((minusMargin - M.fades.first) / (2 * M.fades.step));
  return Math.min(Math.max(at, 0), Math.floor((M.fadeCount + 1) / 2) - 1);
}

// ---------------------------------------------------------------- all of it

// Probability of each difference between the excess as a spot reads it and the excess, steps of the grid.
function kernel(sigma, kind) {
  const normal = (from, to) => normalBelow(to / Math.max(sigma, 1e-3)) - normalBelow(from / Math.max(sigma, 1e-3));
  const half = Math.ceil((6 * sigma) / M.step) + 1;
  const ripple = [];
  for (let d = -half; d <= half; d++) ripple.push([d, normal((d - 0.5) * M.step, (d + 0.5) * M.step)]);
  if (kind === M.noFading) return ripple;
  const found = new Map();
  const below = (value) => {
    const at = Math.min(Math.max((value - M.fades.first) / M.fades.step, 0), M.fadeCount - 1);
    const low = Math.min(Math.floor(at), M.fadeCount - 2);
    const row = kind * M.fadeCount;
    return M.stillBelow[row + low] + (at - low) * (M.stillBelow[row + low + 1] - M.stillBelow[row + low]);
  };
  for (let d = -50; d <= 160; d++) {
    const mass = below(-(d - 0.5) * M.step) - below(-(d + 0.5) * M.step);
    if (mass < 1e-9) continue;
    for (const [r, share] of ripple) found.set(d + r, (found.get(d + r) ?? 0) + mass * share);
  }
  return [...found.entries()].sort((a, b) => a[0] - b[0]);
}

// What groups of readings say: of each direction the distribution of its shortfall, and which readings are wrong.
function weighed(groups, fading, toCome) {
  const total = Math.max(Math.hypot(M.site, M.day), M.step);
  const shifts = groups.flatMap((g) => g.directions.flatMap((h) => h.levels.map((l) => l.shift)));
  const low = Math.floor(Math.max(Math.min(-5 * total - 5, ...shifts.map((s) => -s - 20)), -150) / M.step);
  const high = Math.ceil(Math.min(Math.max(5 * total + 5, ...shifts.map((s) => -s + 20)), 150) / M.step);
  const grid = Array.from({ length: high - low + 1 }, (_, i) => (low + i) * M.step);
  const n = grid.length;
  const logPosterior = grid.map((x) => -0.5 * (x / total) ** 2);
  const found = groups.map((group) => {
    const kinds = [fading, M.noFading].map((kind, h) => {
      const parts = group.directions.map((heard) => part(heard, grid, kind));
      const own = new Float64Array(n);
      parts.forEach((p) => p.log.forEach((v, i) => (own[i] += v)));
      const share = h ? M.still : 1 - M.still;
      return { parts, own, share, kernel: kernel(group.ripple, h ? fading : M.noFading) };
    });
    const top = Math.max(...kinds.map((k) => Math.max(...k.own)));
    const sums = new Float64Array(n);
    kinds.forEach((k) => {
      k.likelihood = k.own.map((v) => k.share * Math.exp(v - top));
      for (let x = 0; x < n; x++) {
        for (const [d, share] of k.kernel) if (x + d >= 0 && x + d < n) sums[x] += share * k.likelihood[x + d];
      }
    });
    sums.forEach((s, x) => (logPosterior[x] += Math.log(Math.max(s, 1e-300)) + top));
    return { kinds, sums };
  });
  const all = logSum(logPosterior);
  const posterior = logPosterior.map((v) => Math.exp(v - all));
  const kept = (M.site / total) ** 2;
  const left = Math.sqrt(kept) * M.day;
  return [0, 1].map((direction) => {
    const weightOf = (g) => {
      const heard = g.directions[direction];
      return heard.levels.reduce((sum, l) => sum + l.packets, 0) + heard.counts.reduce((sum, c) => sum + c.sent, 0);
    };
    const main = groups.reduce((best, g, i) => (weightOf(g) > weightOf(groups[best]) ? i : best), 0);
    const heard = groups[main].directions[direction];
    let overTime = heard.time;
    if (heard.noise === null) {
      const both = Math.hypot(heard.place, heard.time);
      overTime *= both ? heard.place / both : 0;
    }
    const sigma = Math.hypot(left, toCome, overTime);
    const shortfall = spreadOut(shortfalls(found[main], direction, grid, posterior, kept), sigma);
    return { shortfall, ...doubts(found, direction, grid, posterior) };
  });
}

// Mass of each shortfall, tenths of a decibel: the excess that stays, and the noise.
function shortfalls(group, direction, grid, posterior, kept) {
  const mass = new Map();
  const n = grid.length;
  const step = 0.25;
  for (const kind of group.kinds) {
    const p = kind.parts[direction];
    const first = Math.floor(Math.min(...p.year) / step);
    const bins = Math.ceil(Math.max(...p.year) / step) - first + 2;
    const byNoise = new Float64Array(n * bins);
    const cells = Array.from(p.year, (v) => Math.floor(v / step) - first);
    const shares = Array.from(p.year, (v) => v / step - Math.floor(v / step));
    const reaching = new Uint8Array(n);
    for (let x = 0; x < n; x++) {
      if (posterior[x] < 1e-9) continue;
      for (const [d] of kind.kernel) if (x + d >= 0 && x + d < n) reaching[x + d] = 1;
    }
    for (let y = 0; y < n; y++) {
      if (!reaching[y]) continue;
      for (let k = 0; k < p.year.length; k++) {
        const w = p.weights[y * p.year.length + k];
        byNoise[y * bins + cells[k]] += w * (1 - shares[k]);
        byNoise[y * bins + cells[k] + 1] += w * shares[k];
      }
    }
    for (let x = 0; x < n; x++) {
      if (posterior[x] < 1e-9) continue;
      const row = new Float64Array(bins);
      for (const [d, share] of kind.kernel) {
        const y = x + d;
        if (y < 0 || y >= n) continue;
        const w = (posterior[x] * share * kind.likelihood[y]) / group.sums[x];
        if (w < 1e-12) continue;
        for (let b = 0; b < bins; b++) row[b] += w * byNoise[y * bins + b];
      }
      for (let b = 0; b < bins; b++) {
        if (row[b] < 1e-12) continue;
        const at = (kept * grid[x] + (first + b) * step) / 0.1;
        const cell = Math.floor(at);
        mass.set(cell, (mass.get(cell) ?? 0) + row[b] * (1 - at + cell));
        mass.set(cell + 1, (mass.get(cell + 1) ?? 0) + row[b] * (at - cell));
      }
    }
  }
  return mass;
}

// A distribution over tenths of a decibel with a normal part besides.
function spreadOut(mass, sigma) {
  const half = sigma > 0 ? Math.ceil((5 * sigma) / 0.1) : 0;
  const cells = [...mass.keys()];
  const first = Math.min(...cells) - half;
  const values = new Float64Array(Math.max(...cells) + half - first + 1);
  const normal = [];
  for (let d = -half; d <= half; d++) normal.push(half ? normalBelow(((d + 0.5) * 0.1) / sigma) - normalBelow(((d - 0.5) * 0.1) / sigma) : 1);
  mass.forEach((m, cell) => {
    for (let d = -half; d <= half; d++) values[cell + d - first] += m * normal[d + half];
  });
  const all = values.reduce((sum, v) => sum + v, 0);
  let below = 0;
  const cumulative = values.map((v) => {
    below += v / all;
    return below - v / all / 2;
  });
  const at = (share) => {
    let i = 0;
    while (i < cumulative.length - 1 && cumulative[i + 1] < share) i++;
    const part = i + 1 < cumulative.length ? (share - cumulative[i]) / Math.max(cumulative[i + 1] - cumulative[i], 1e-300) : 0;
    return (first + i + Math.min(Math.max(part, 0), 1)) * 0.1;
  };
  const mean = values.reduce((sum, v, i) => sum + v * (first + i) * 0.1, 0) / all;
  const variance = values.reduce((sum, v, i) => sum + v * ((first + i) * 0.1 - mean) ** 2, 0) / all;
  return { quantile: at, sigma: Math.sqrt(variance) };
}

// How many levels are too far from the answer, and the largest share of packets lost for another reason.
function doubts(found, direction, grid, posterior) {
  const floor = M.wrong / M.scale;
  const wrong = [];
  let otherwise = 0;
  found.forEach((group) => {
    const shares = group.kinds[0].parts[direction].rights.map(() => 0);
    const lost = group.kinds[0].parts[direction].tables.map(() => 0);
    group.kinds.forEach((kind) => {
      const p = kind.parts[direction];
      const apparent = new Float64Array(grid.length + 2 * p.reach);
      for (let y = 0; y < grid.length; y++) {
        let own = 0;
        for (const [d, share] of kind.kernel) {
          const x = y - d;
          if (x >= 0 && x < grid.length) own += (posterior[x] * share * kind.likelihood[y]) / Math.max(group.sums[x], 1e-300);
        }
        if (own < 1e-9) continue;
        for (let k = 0; k < p.states.length; k++) {
          const w = own * p.weights[y * p.states.length + k];
          apparent[y + p.shifts[k]] += w;
          p.tables.forEach((table, c) => (lost[c] += w * table.otherwise[lossIndex(grid[y] + p.losses[c][k])]));
        }
      }
      p.rights.forEach((right, r) => apparent.forEach((a, i) => a > 0 && (shares[r] += (a * floor) / ((1 - M.wrong) * right[i] + floor))));
    });
    wrong.push(...shares);
    otherwise = Math.max(otherwise, ...lost);
  });
  return { wrong, otherwise };
}

// What so many of so many packets prove to arrive, at the table's confidence; null where the table ends.
function proven(sent, received) {
  const lost = sent - received;
  if (sent < 1 || sent > M.provenCount || lost * M.provenCount >= M.provenTable.length) return null;
  return M.provenTable[lost * M.provenCount + sent - 1] * data.measured.proven.step;
}
