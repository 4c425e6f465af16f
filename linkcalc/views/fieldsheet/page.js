"use strict";
// Adds terms and looks tables up. All that is physics was worked out before this page was written.

const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const SIDES = ["near", "far"];
const FEET = 0.3048;
const PRINTED_READINGS = 10;
const KEY = `linkcalc field sheet ${data.digest.slice(0, 16)} ${data.link}`;
// Readings outlive a new sheet of the same link, its stations placed anew; another site's link may have the same names.
const SAME_SITE_M = 100;
const SAME_LENGTH_M = 10; // where a plan gives no positions
const WHERE = { positions_deg: data.ends.map((end) => end.position ?? null), length_m: data.lengthM };
const READINGS = `linkcalc readings ${data.link}, ${data.ends.map((end) => end.name).join(", ")} `;
const READINGS_KEY = readingsKey();
const GRID = [data.near, data.far];
// As on the rest of the page: nothing that would turn the text around it.
const NAMES = data.ends.map((end) => end.name.replace(/[\p{Cc}\p{Cf}\p{Co}]/gu, ""));

function atThisSite(where) {
  return WHERE.positions_deg.every((position, e) => {
    const other = where?.positions_deg?.[e];
    if (position && Array.isArray(other)) return courseTo(position, other).metres <= SAME_SITE_M;
    return Math.abs(where?.length_m - WHERE.length_m) <= SAME_LENGTH_M;
  });
}

function readingsKey() {
  const own = READINGS + JSON.stringify(WHERE);
  const placed = (key) => {
    try {
      return key.startsWith(READINGS) && atThisSite(JSON.parse(key.slice(READINGS.length)));
    } catch (error) {
      return false; // of a link whose name only begins alike
    }
  };
  try {
    const keys = Object.keys(localStorage);
    return keys.includes(own) ? own : (keys.find(placed) ?? own);
  } catch (error) {
    return own; // nothing is kept here
  }
}

// ---------------------------------------------------------------- tables

function decoded(table) {
  const text = atob(table.bytes);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  const kinds = { u1: Uint8Array, u2: Uint16Array, i2: Int16Array };
  return new kinds[table.kind](bytes.buffer); // little-endian, as every phone and computer today
}

const loss = decoded(data.loss);
const [site, conditions, kOf] = [data.site, data.conditions, data.k].map(decoded);
const point = decoded(data.point);
const clearance = decoded(data.clearance);
const [success, required, least] = [data.success, data.needed, data.least].map(decoded);
measuredTables(data.measured);

function place(axis, value) {
  const at = Math.min(Math.max((value - axis.first) / axis.step, 0), axis.count - 1);
  const low = Math.min(Math.floor(at), axis.count - 2);
  return [low, at - low];
}

function between(axis, values, value, offset = 0) {
  const [low, share] = place(axis, value);
  return values[offset + low] * (1 - share) + values[offset + low + 1] * share;
}

function successOf(k, sigma, margin) {
  const [i, a] = place(data.ks, k);
  const [j, b] = place(data.sigma, sigma);
  const cell = (x, y) => between(data.margin, success, margin, (x * data.sigma.count + y) * data.margin.count);
  const row = (x) => cell(x, j) * (1 - b) + cell(x, j + 1) * b;
  return (row(i) * (1 - a) + row(i + 1) * a) * data.success.step;
}

// ---------------------------------------------------------------- the link

const initial = () => ({
  height: data.ends.map((end) => end.planned), // metres, as entered
  antenna: [0, 0],
  feeder: [0, 0],
  signal: data.signal,
  units: data.units,
  entry: {}, // what is half typed
  counter: null,
  readings: [],
});
let sheet = initial();
let removed = new Set(); // readings taken off in this browser

// The first of two heights worked out that an entry lies between, how far it is to the second, and the nearer.
// Loss goes with the logarithm of a low antenna's height, so that is what is shared out.
function spot(values, metres) {
  let low = 0;
  while (low < values.length - 2 && values[low + 1] <= metres) low++;
  const high = Math.min(low + 1, values.length - 1);
  const share = high > low ? Math.log(metres / values[low]) / Math.log(values[high] / values[low]) : 0;
  const kept = Math.min(Math.max(share, 0), 1);
  return { low, high, share: kept, nearer: kept < 0.5 ? low : high };
}

function mixed(table, at, [i, j]) {
  const row = (k) => table[k * data.far.length + j.low] * (1 - j.share) + table[k * data.far.length + j.high] * j.share;
  return at.first + (row(i.low) * (1 - i.share) + row(i.high) * i.share) * at.step;
}

const limitsOf = (e, chosen) => {
  const [status, reason, power, lawful, longerPower] = data.limits[data.ends[e].limits[chosen.signal][chosen.antenna[e]][chosen.feeder[e]]];
  return { status, reason, power, lawful, longerPower };
};

// An antenna that is raised takes its feeder with it: the planned one from its planned height, another from where
// the antenna stood when it was chosen, a reading's not at all.
const feederFrom = (e, chosen) => (chosen.feeder[e] === 0 ? data.ends[e].planned : sheet.height[e]);
const longerBy = (e, chosen = sheet) => (data.ends[e].feeders[chosen.feeder[e]].perMetre ? Math.max(sheet.height[e] - feederFrom(e, chosen), 0) : 0);

// All that does not depend on the heights, so that every pair of heights is quickly looked at. Power over a
// legal limit does not count, but a reading was taken with it.
function fitted(chosen = sheet, reading = false) {
  const limits = data.ends.map((_, e) => limitsOf(e, chosen));
  const ends = data.ends.map((end, e) => ({
    power: reading ? end.power : limits[e].power,
    most: reading ? end.power : limits[e].longerPower,
    gain: end.antennas[chosen.antenna[e]].gain,
    feeder: end.feeders[chosen.feeder[e]],
    from: reading ? Infinity : feederFrom(e, chosen),
    longer: chosen.longer?.[e] ?? 0,
    extra: end.extra,
  }));
  const least = ends.map((end) => end.feeder.noise + data.signals[chosen.signal].snr);
  const gain = ends[0].gain.map((g, i) => g + ends[1].gain[i]);
  const lost = ends[0].feeder.loss + ends[1].feeder.loss + ends[0].extra + ends[1].extra + data.polarisationDb;
  return { ends, least, gain, lost, lawful: limits.every((line) => line.lawful) };
}

// At two of the heights worked out, by their numbers.
function judged(fit, i, j) {
  const at = i * data.far.length + j;
  const value = (table, of) => of.first + table[at] * of.step;
  const unsure = { site: value(site, data.site), conditions: value(conditions, data.conditions), k: value(kOf, data.k) };
  return judgedWith(fit, [data.near[i], data.far[j]], value(loss, data.loss), unsure, at);
}

// At any two heights, in metres.
function judgedAt(fit, heights) {
  const spots = heights.map((metres, e) => spot(GRID[e], metres));
  const at = spots[0].nearer * data.far.length + spots[1].nearer;
  const unsure = { site: mixed(site, data.site, spots), conditions: mixed(conditions, data.conditions, spots), k: mixed(kOf, data.k, spots) };
  return { ...judgedWith(fit, heights, mixed(loss, data.loss, spots), unsure, at), spots };
}

const verdictOf = (margin, closesFrom, failsBelow, mayClose) =>
  margin < failsBelow ? "does_not_close" : margin >= closesFrom && mayClose && data.reachable ? "closes" : "at_risk";

// Nearest row of the tables of fading.
const kindOf = (k) => Math.round(Math.min(Math.max((k - data.ks.first) / data.ks.step, 0), data.ks.count - 1));

function requiredOf(k, year, unknown) {
  const [i, a] = place(data.ks, k);
  const [j, b] = place(data.years, year);
  const [m, c] = place(data.sites, unknown);
  const cell = (x, y, z) => required[((x * data.years.count) + y) * data.sites.count + z];
  const line = (x, y) => cell(x, y, m) * (1 - c) + cell(x, y, m + 1) * c;
  const plane = (x) => line(x, j) * (1 - b) + line(x, j + 1) * b;
  return Math.max((plane(i) * (1 - a) + plane(i + 1) * a) * data.needed.step, data.stated);
}

function leastOf(k, year) {
  const [i, a] = place(data.ks, k);
  const [j, b] = place(data.years, year);
  const row = (x) => least[x * data.years.count + j] * (1 - b) + least[x * data.years.count + j + 1] * b;
  return (row(i) * (1 - a) + row(i + 1) * a) * data.least.step;
}

function judgedWith(fit, heights, lossDb, unsure, at) {
  const longer = fit.ends.map((end, e) => end.longer + Math.max(heights[e] - end.from, 0));
  const cables = longer.map((metres, e) => metres * fit.ends[e].feeder.perMetre);
  const common = between(data.rise, fit.gain, heights[1] - heights[0]) - fit.lost - lossDb - cables[0] - cables[1];
  const ways = [0, 1].map((sender) => {
    const receiver = 1 - sender;
    const { power, most } = fit.ends[sender];
    const level = Math.min(power + cables[sender], Math.max(most, power)) + common;
    const { feeder } = fit.ends[receiver];
    const weakest = fit.least[receiver] + between(feeder.longer, feeder.noises, longer[receiver]) - feeder.noise;
    const margin = level - weakest;
    const [unknown, year] = [Math.hypot(unsure.site, feeder.site), Math.hypot(unsure.conditions, feeder.conditions)];
    const needed = requiredOf(unsure.k, year, unknown);
    const verdict = verdictOf(margin, needed, leastOf(unsure.k, year), fit.lawful && data.groundKnown);
    return { sender, receiver, level, margin, sigma: Math.hypot(unknown, year), site: unknown, needed, verdict, k: unsure.k, least: weakest };
  });
  const order = ["does_not_close", "at_risk", "closes"];
  const [there, back] = ways;
  const rank = (way) => order.indexOf(way.verdict);
  const weaker =
    rank(back) < rank(there) || (rank(back) === rank(there) && back.margin - back.needed < there.margin - there.needed)
      ? back
      : there;
  return { ways, weaker, lacking: Math.max(there.needed - there.margin, back.needed - back.margin), at, lawful: fit.lawful };
}

// ---------------------------------------------------------------- words

const MINUS = "\u2212";
const fixed = (value, digits) => {
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", MINUS);
};
const decibels = (value) => `${fixed(value, 1)}\u00a0dB`;
// What is lacking is never none.
const lackWords = (value) => (value > 0 && value < 0.05 ? data.words.lackingLittle : decibels(value));
const percent = (p) => {
  if (p > 0.999) return ">99.9\u00a0%";
  if (p < 0.001) return "<0.1\u00a0%";
  return `${fixed(100 * p, p >= 0.0995 && p < 0.9 ? 0 : 1)}\u00a0%`;
};
const feet = () => sheet.units === "ft";
const heightNumber = (m) => String(Number((feet() ? m / FEET : m).toFixed(feet() ? 1 : 2)));
const heightWords = (m) => `${heightNumber(m)}\u00a0${sheet.units}`;
const distanceWords = (m) => {
  if (feet()) return m < 1000 ? `${Math.round(m / FEET)}\u00a0ft` : `${(m / 1609.344).toFixed(2)}\u00a0mi`;
  return m < 1000 ? `${Math.round(m)}\u00a0m` : `${(m / 1000).toFixed(2)}\u00a0km`;
};
const lengthWords = (m) => {
  const value = Math.abs(feet() ? m / FEET : m);
  return `${value.toFixed(value < 10 ? 1 : 0)}\u00a0${sheet.units}`;
};
const wayWords = (way) => `${NAMES[way.sender]} \u2192 ${NAMES[way.receiver]}`;
const numberIn = (text) => {
  const plain = text.trim().replace(/[\u2212\u2013]/g, "-").replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
};
// A height with its unit, if one is typed: metres.
const metresIn = (text) => {
  const [, number, unit] = /^(.*?)\s*(m|ft|'|\u2032|feet|metres?|meters?)?$/i.exec(text.trim());
  const value = numberIn(number);
  return (unit ? !/^m/i.test(unit) : feet()) ? value * FEET : value;
};

// The words come with the data, places to fill in braces.
const filled = (words, values) => words.replace(/\{(\w+)\}/g, (_, name) => values[name]);

function put(id, text, value) {
  const element = $(id);
  if (element.textContent !== text) element.textContent = text;
  if (value !== undefined) element.dataset.value = value;
}

// ---------------------------------------------------------------- what is shown

// The box that is being typed in is left as it is.
function show(typing = null) {
  const fit = fitted();
  const found = judgedAt(fit, sheet.height);
  showVerdict(found);
  showHeights(typing);
  showPath(found);
  showAdvice(fit, found);
  showBudget(found);
  showLimits();
  showReadings(found);
  keep();
}

function showVerdict(found) {
  const { weaker } = found;
  const spare = weaker.margin - weaker.needed;
  $("bar").className = weaker.verdict;
  $("bar").dataset.verdict = weaker.verdict;
  put("verdict", data.verdicts[weaker.verdict]);
  const words = data.words;
  put("verdict-margin", filled(words.margin, { margin: decibels(weaker.margin) }), weaker.margin);
  const why = [
    found.lawful ? "" : words.overLimits,
    data.reachable ? "" : words.unreachable,
    data.groundKnown ? "" : words.groundUnknown,
  ].filter(Boolean);
  const line = filled(words.line, {
    way: wayWords(weaker),
    spare: filled(spare >= 0 ? words.over : words.short, {
      spare: spare >= 0 ? decibels(spare) : lackWords(-spare),
      required: decibels(weaker.needed),
    }),
    arrives: percent(chance(weaker)),
  });
  put("verdict-line", `${line}${why.length ? ` ${filled(words.atBest, { why: why.join("; ") })}` : ""}`);
}

const chance = (way) => successOf(way.k, way.sigma, way.margin);

function showHeights(typing) {
  SIDES.forEach((side, e) => {
    const metres = sheet.height[e];
    const box = $(`${side}-height`);
    if (side !== typing) {
      box.value = heightNumber(metres);
      box.removeAttribute("aria-invalid");
    }
    const slider = $(`${side}-slider`);
    slider.max = data[side].length - 1;
    slider.value = spot(data[side], metres).nearer;
    slider.setAttribute("aria-valuetext", heightWords(metres));
    document.querySelector(`label[for="${side}-height"] .unit`).textContent = sheet.units;
    const planned = data.ends[e].planned;
    const other = feet() ? ` (${Number(metres.toFixed(2))} m)` : "";
    $(`${side}-said`).removeAttribute("role");
    put(`${side}-said`, Math.abs(planned - metres) < 1e-6 ? `As planned${other}` : `Planned: ${heightWords(planned)}${other && `; now${other}`}`);
  });
}

function showBudget(found) {
  found.ways.forEach((way, w) => {
    const id = w === 0 ? "forward" : "return";
    put(`${id}-level`, fixed(way.level, 1), way.level);
    put(`${id}-least`, fixed(way.least, 1), way.least);
    put(`${id}-margin`, fixed(way.margin, 1), way.margin);
    put(`${id}-needed`, fixed(way.needed, 1), way.needed);
    put(`${id}-success`, percent(chance(way)), chance(way));
    put(`${id}-onair`, data.signals[sheet.signal].onAir[w].toFixed(3));
  });
  const sigma = Math.max(...found.ways.map((way) => way.sigma));
  const model = data.models[data.points.model[point[found.at]]];
  const tries = data.tries > 1 ? `, within ${data.tries} tries` : "";
  const measured = sheet.readings.length ? "the readings not counted" : "not yet measured";
  put("sure-line", `Predicted by ${model}, ${measured}: 50\u00a0% interval of the error ±${decibels(0.6745 * sigma)} (standard deviation ${decibels(sigma)}). A message arrives${tries}, this uncertainty included.`);
}

function showLimits() {
  const line = $("limits-line");
  const said = data.ends.map((end, e) => {
    const { status, reason, power } = limitsOf(e, sheet);
    const turned = power < end.power - 0.005 ? `; answered for ${fixed(power, 1)}\u00a0dBm` : "";
    return { status, text: `${NAMES[e]}: ${status === "over" ? "over the table's legal limits, " : ""}${reason}${turned}` };
  });
  const worrying = said.filter((s) => s.status !== "within");
  line.classList.toggle("over", said.some((s) => s.status === "over"));
  line.dataset.status = said.some((s) => s.status === "over") ? "over" : worrying.length ? "unknown" : "within";
  if (data.region === null) put("limits-line", "Legal limits: unknown, the plan states no region. Ask your regulator.");
  else if (worrying.length) put("limits-line", `${worrying.map((s) => s.text).join(". ")}. Ask your regulator; this is no legal advice.`);
  else put("limits-line", `Within the table's legal limits (${data.region}). Ask your regulator; this is no legal advice.`);
  const changed = NAMES.flatMap((name, e) => [
    ...(sheet.antenna[e] ? [`antenna of ${name}`] : []),
    ...(sheet.feeder[e] ? [`feeder of ${name}`] : []),
    ...(longerBy(e) > 0.005 ? [`feeder of ${name}, ${lengthWords(longerBy(e))} longer with its antenna`] : []),
  ]);
  if (sheet.signal !== data.signal) changed.push("spreading factor");
  put("changed-line", changed.length ? `Other than planned: ${changed.join(", ")}. Change the plan too, before its readings are worked out.` : "");
}

function showAdvice(fit, found) {
  const items = [];
  const [near, far] = sheet.height;
  if (found.lacking <= 0) items.push(`The required margin is reached as it stands, with ${decibels(-found.lacking)} to spare.`);
  else {
    const one = [nearestThatDoes(data.near, near, (m) => judgedAt(fit, [m, far])), nearestThatDoes(data.far, far, (m) => judgedAt(fit, [near, m]))];
    one.forEach((metres, e) => {
      if (metres !== null) items.push(moveWords(e, metres));
    });
    const both = leastPair(fit);
    const alone = Math.min(one[0] === null ? Infinity : one[0] + far, one[1] === null ? Infinity : near + one[1]);
    if (both !== null && cost(both) < alone - 1e-6) {
      items.push(`Least to raise in all: ${NAMES[0]} to ${heightWords(data.near[both[0]])} and ${NAMES[1]} to ${heightWords(data.far[both[1]])}.`);
    }
    if (!items.length) {
      const tops = SIDES.map((side, e) => `${heightWords(data[side][data[side].length - 1])} at ${NAMES[e]}`);
      items.push(`No pair of heights up to ${tops.join(" and ")} reaches it: another antenna${sheet.signal < data.signals.length - 1 ? ", a higher spreading factor" : ""}, or a relay.`);
    }
  }
  if (items.length && found.lacking > 0) items.push("Stay clear of power lines, and leave masts to licensed people.");
  const list = $("advice-list");
  if (list.textContent !== items.join("")) {
    list.replaceChildren(...items.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  }
}

const cost = ([i, j]) => data.near[i] + data.far[j];
const moveWords = (e, metres) =>
  `${metres > sheet.height[e] ? "Raise" : "Lower"} ${NAMES[e]} to ${heightWords(metres)}, the other as it is.`;

function nearestThatDoes(values, from, judge) {
  let best = null;
  for (const metres of values) {
    const nearer = best === null || Math.abs(metres - from) < Math.abs(best - from);
    if (nearer && judge(metres).lacking <= 0) best = metres;
  }
  return best;
}

// The least raise in all, of both ends together; neither goes lower than it stands.
function leastPair(fit) {
  let best = null;
  const [first, second] = GRID.map((values, e) => values.findIndex((metres) => metres >= sheet.height[e] - 1e-6));
  for (let i = first; i < data.near.length; i++) {
    for (let j = second; j < data.far.length; j++) {
      if (best !== null && cost([i, j]) >= cost(best) - 1e-9) break;
      if (judged(fit, i, j).lacking <= 0) best = [i, j];
    }
  }
  return best;
}

// ---------------------------------------------------------------- the path, drawn

const REACHES = { ground: "the ground reaches", trees: "trees reach", building: "a building reaches", tank: "a tank reaches" };

function showPath(found) {
  const at = found.at;
  const x = data.points.x[point[at]];
  const clear = mixed(clearance, data.clearance, found.spots);
  const share = clear / data.points.radius[point[at]];
  const what = data.kinds[data.points.kind[point[at]]];
  const where = `${distanceWords(x)} from ${NAMES[0]}`;
  const zone = `${fixed(100 * share, 0)}\u00a0% of the first Fresnel zone`;
  const said =
    clear < 0
      ? `Worst point ${where}: ${REACHES[what]} ${lengthWords(clear)} above the line of sight.`
      : `Worst point ${where}: the line of sight passes ${lengthWords(clear)} above ${REACHES[what].replace(/ reach(es)?$/, "")}, ${zone}${share >= 0.6 ? ", which is clear enough" : "; 60\u00a0% is required"}.`;
  put("worst-line", said, clear);
  $("worst-line").dataset.distance = x;
  draw(x, clear, data.colours.clearance[clear < 0 ? "obstructed" : share < 0.6 ? "grazing" : "clear"]);
}

function draw(worstX, clear, colour) {
  const svg = $("profile");
  const width = Math.max(svg.clientWidth || 700, 280);
  const height = Math.round(Math.min(Math.max(width * 0.42, 190), 300));
  const p = data.profile;
  const c = data.colours;
  const n = p.x.length;
  const length = data.lengthM;
  const tips = [p.ground[0] + sheet.height[0], p.ground[n - 1] + sheet.height[1]];
  const ray = (x) => tips[0] + ((tips[1] - tips[0]) * x) / length;
  const bottom = p.ground.map((g, i) => g + p.bulge[i]);
  const top = bottom.map((g, i) => g + p.clutter[i]);
  const zone = p.x.map((x, i) => [ray(x) + p.radius[i], ray(x) - p.radius[i]]);
  const highest = Math.max(...top, ...zone.map((z) => z[0]));
  const lowest = Math.min(...bottom);
  const room = (highest - lowest) * 0.06 + 1;
  const box = { left: 46, right: width - 10, top: 10, bottom: height - 34 };
  const X = (x) => box.left + ((box.right - box.left) * x) / length;
  const Y = (y) => box.bottom - ((box.bottom - box.top) * (y - lowest + room)) / (highest - lowest + 2 * room);
  const points = (list) => list.map(([x, y]) => `${X(x).toFixed(1)},${Y(y).toFixed(1)}`).join(" ");
  const parts = [];
  const add = (tag, attributes, text) => {
    const said = Object.entries(attributes).map(([k, v]) => `${k}="${v}"`).join(" ");
    parts.push(`<${tag} ${said}>${text === undefined ? "" : escaped(text)}</${tag}>`);
  };
  const word = (x, y, text, anchor = "middle", more = {}) =>
    add("text", { x: x.toFixed(1), y: y.toFixed(1), "text-anchor": anchor, "font-size": 13, fill: c.ink, ...more }, text);
  const unit = feet() ? FEET : 1;
  ticks(lowest / unit, highest / unit, 4).forEach((t) => {
    add("line", { x1: box.left, x2: box.right, y1: Y(t * unit), y2: Y(t * unit), stroke: c.grid });
    word(box.left - 5, Y(t * unit) + 4.5, String(t), "end");
  });
  const far = feet() ? 1609.344 : 1000;
  const [scale, name] = length < far ? [unit, sheet.units] : [far, feet() ? "mi" : "km"];
  ticks(0, length / scale, width < 500 ? 4 : 7).forEach((t) => word(X(t * scale), height - 18, String(t)));
  word((box.left + box.right) / 2, height - 3, width < 500 ? `${name} along; ${sheet.units} above sea level` : `${name} from ${NAMES[0]}; heights in ${sheet.units} above sea level`);
  const up = p.x.map((x, i) => [x, zone[i][0]]);
  const down = p.x.map((x, i) => [x, zone[i][1]]).reverse();
  const frame = { x: box.left, y: 0, width: box.right - box.left, height: box.bottom };
  parts.push('<clipPath id="frame">');
  add("rect", frame);
  parts.push("</clipPath>");
  add("polygon", { points: points([...up, ...down]), fill: c.fresnel, stroke: c.fresnelEdge, "clip-path": "url(#frame)" });
  Object.entries(c.clutter).forEach(([kind, [fill, edge]]) => {
    const number = data.kinds.indexOf(kind);
    const edgeLine = p.x.map((x, i) => [x, p.kind[i] === number ? top[i] : bottom[i]]);
    if (p.kind.some((k, i) => k === number && p.clutter[i] > 0)) {
      add("polygon", { points: points([...edgeLine, ...p.x.map((x, i) => [x, bottom[i]]).reverse()]), fill, stroke: edge, "stroke-width": 0.7 });
    }
  });
  const floor = lowest - room;
  add("polygon", { points: points([[0, floor], ...p.x.map((x, i) => [x, bottom[i]]), [length, floor]]), fill: c.ground, stroke: c.groundEdge });
  add("polyline", { points: points([[0, tips[0]], [length, tips[1]]]), stroke: c.ray, "stroke-width": 2.2, fill: "none" });
  [0, length].forEach((x, e) => {
    add("line", { x1: X(x), x2: X(x), y1: Y(bottom[e ? n - 1 : 0]), y2: Y(tips[e]), stroke: c.ink, "stroke-width": 3 });
  });
  add("line", { x1: X(worstX), x2: X(worstX), y1: Y(ray(worstX)), y2: Y(ray(worstX) - clear), stroke: colour, "stroke-width": 2 });
  add("circle", { cx: X(worstX), cy: Y(ray(worstX) - clear), r: 5, fill: colour });
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.innerHTML = parts.join("");
}

const escaped = (text) => text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");

function ticks(low, high, most) {
  const raw = (high - low) / most || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw - 1e-12);
  const found = [];
  for (let t = Math.ceil(low / step - 1e-9) * step; t <= high + 1e-9 * step; t += step) found.push(Number(t.toPrecision(6)));
  return found;
}

// ---------------------------------------------------------------- readings

// Power of the wanted signal; null where a reading does not tell.
function signalPower(reading, noise) {
  if (reading.rssi_dbm === null) return null;
  const saturated = reading.rssi_dbm + between(data.below, data.signalOverRssiSaturated, noise - reading.rssi_dbm);
  if (reading.snr_db === null) return reading.rssi_dbm - noise > 3 ? saturated : null;
  const plain = reading.rssi_dbm + between(data.snr, data.signalOverRssi, reading.snr_db);
  return reading.snr_db >= data.snrBelieved ? Math.max(plain, saturated) : plain;
}

// The numbers of the parts a reading was taken with; else what this sheet does not have.
function fittedOf(reading) {
  const chosen = { antenna: [0, 0], feeder: [0, 0], longer: [0, 0], signal: data.signal };
  const sf = reading.spreading_factor ?? data.signals[data.signal].sf;
  const khz = reading.bandwidth_khz ?? data.signals[data.signal].khz;
  chosen.signal = data.signals.findIndex((s) => s.sf === sf && Math.abs(s.khz - khz) < 0.01 * s.khz);
  if (chosen.signal < 0) return { lacking: sf === null ? "its signal" : `SF${sf} with ${khz}\u00a0kHz` };
  for (const [e, side] of SIDES.entries()) {
    const end = data.ends[e];
    const power = reading[`${side}_power_dbm`] ?? end.power;
    if (Math.abs(power - end.power) > 0.05) return { lacking: `${power}\u00a0dBm at ${NAMES[e]}` };
    for (const [what, key, unit] of [["antenna", "antenna_gain_dbi", "dbi"], ["feeder", "feeder_loss_db", "loss"]]) {
      const list = end[`${what}s`];
      const name = reading[`${side}_${what}`] || list[0].name;
      const figure = reading[`${side}_${key}`] ?? null;
      const fits = (o) => figure === null || Math.abs(o[unit] - figure) < 0.06;
      let k = list.findIndex((o) => o.name === name && fits(o));
      if (k < 0 && what === "feeder") {
        // the same one, longer with the antenna it was raised with
        k = list.findIndex((o) => o.name === name && o.perMetre > 0 && figure > o.loss);
        if (k >= 0) chosen.longer[e] = (figure - list[k].loss) / list[k].perMetre;
      }
      if (k < 0 && figure !== null) k = list.findIndex(fits);
      if (k < 0) return { lacking: `${what} ${name}${figure === null ? "" : ` of ${figure}\u00a0dB`} at ${NAMES[e]}` };
      chosen[what][e] = k;
    }
  }
  return chosen;
}

function parts(chosen) {
  const found = { spreading_factor: data.signals[chosen.signal].sf, bandwidth_khz: data.signals[chosen.signal].khz };
  SIDES.forEach((side, e) => {
    const end = data.ends[e];
    const [antenna, feeder] = [end.antennas[chosen.antenna[e]], end.feeders[chosen.feeder[e]]];
    found[`${side}_power_dbm`] = end.power;
    found[`${side}_antenna`] = antenna.name;
    found[`${side}_antenna_gain_dbi`] = antenna.dbi;
    found[`${side}_feeder`] = feeder.name;
    found[`${side}_feeder_loss_db`] = Number((feeder.loss + longerBy(e, chosen) * feeder.perMetre).toFixed(3));
  });
  return found;
}

// Leaves of a reading: as it says, else as the plan has them, and dry.
const foliageOf = (reading) =>
  M.foliage.find((f) => f.leaf === (reading.leaf ?? M.plannedLeaf) && f.wet === Boolean(reading.wet_foliage)) ?? null;

const judgements = new WeakMap(); // readings do not change
function judgedReading(reading) {
  if (judgements.has(reading)) return judgements.get(reading);
  const w = reading.direction === "forward" ? 0 : 1;
  const chosen = fittedOf(reading);
  let found = { w, lacking: chosen.lacking, over: null, level: null, reading };
  if (!chosen.lacking) {
    const fit = fitted(chosen, true);
    const heights = [reading.near_height_m ?? data.ends[0].planned, reading.far_height_m ?? data.ends[1].planned];
    const way = judgedAt(fit, heights).ways[w];
    const receiver = M.receivers[way.receiver][chosen.feeder[way.receiver]];
    const loud = fit.ends[way.receiver].feeder.noise;
    // what a longer cable than the table's takes of the noise that comes in by the antenna, engine or not
    const taken = fit.least[way.receiver] - way.least;
    const anyRise = M.receivers.some((end, e) => data.ends[e].feeders[0].noise - end[0].quiet > 0.01);
    const running = reading.engine_running ?? !anyRise;
    const foliage = foliageOf(reading);
    const level = way.level + (foliage ? foliage.toCome : 0);
    const noise = Math.max((running ? loud : receiver.quiet) - taken, receiver.thermal);
    const required = data.signals[chosen.signal].snr;
    const at = { level, noise, required, thermal: receiver.thermal, margin: level - noise - required, running };
    const told = takenApart(reading, at);
    const power = told?.signal ?? null;
    found = { ...found, way, chosen, heights, at, told, foliage, level: power, over: power === null ? null : power - level };
  }
  judgements.set(reading, found);
  return found;
}

function readingWords(reading, row) {
  const { over, chosen, told, at, lacking } = row;
  const loud = told?.noise != null ? told.noise - at.noise : 0;
  const pieces = [
    reading.rssi_dbm === null ? "" : `RSSI ${fixed(reading.rssi_dbm, 0)}\u00a0dBm`,
    reading.snr_db === null ? "" : `SNR ${decibels(reading.snr_db)}`,
    reading.sent === null ? "" : `${reading.received} of ${reading.sent} packets`,
    over === null ? "" : `${decibels(Math.abs(over))} ${over < 0 ? "under" : "over"} the level expected`,
    loud > 3 ? `noise ${decibels(loud)} over the expected` : "",
    reading.engine_running ? "engine running" : "",
    reading.spot ? `spot ${reading.spot}` : "",
    lacking ? `not weighed: this sheet does not have ${lacking}` : otherParts(chosen),
    reading.note,
  ];
  const when = typeof reading.time === "string" ? `${reading.time.slice(5, 16).replace("T", " ")}, ` : "";
  return `${when}at ${NAMES[row.w === 0 ? 1 : 0]}: ${pieces.filter(Boolean).join(", ")}.`;
}

// What was fitted for a reading, as far as it is not what the plan says.
function otherParts(chosen) {
  const said = data.ends.flatMap((end, e) => [
    ...(chosen.antenna[e] ? [`${end.antennas[chosen.antenna[e]].words} at ${NAMES[e]}`] : []),
    ...(chosen.feeder[e] ? [`${end.feeders[chosen.feeder[e]].words} at ${NAMES[e]}`] : []),
  ]);
  if (chosen.signal !== data.signal) said.push(data.signals[chosen.signal].name);
  return said.length ? `with ${said.join(", ")}` : "";
}

let rows = []; // what the readings say, in their order

function listReadings() {
  rows = sheet.readings.map(judgedReading);
  const lines = sheet.readings.map((reading, k) => {
    const line = document.createElement("li");
    line.value = k + 1; // on paper too, where the first of many are left out
    line.append(Object.assign(document.createElement("span"), { textContent: readingWords(reading, rows[k]) }));
    if (k < sheet.readings.length - PRINTED_READINGS) line.className = "more";
    const button = document.createElement("button");
    Object.assign(button, { type: "button", textContent: "Remove", className: "noprint" });
    button.setAttribute("aria-label", `Remove reading ${k + 1}`);
    button.addEventListener("click", () => {
      if (!window.confirm(`Remove reading ${k + 1}? ${readingWords(reading, rows[k])}`)) return;
      removed.add(reading.id);
      sheet.readings.splice(k, 1);
      listReadings();
      show();
      const left = document.querySelectorAll("#readings-list button");
      (left[Math.min(sheet.readings.length - k, left.length - 1)] ?? $("rssi")).focus();
    });
    line.append(button);
    return line;
  });
  $("readings-list").replaceChildren(...lines.reverse()); // the newest first
  $("readings-list").className = rows.length > PRINTED_READINGS / 2 ? "many" : "";
  const more = rows.length > PRINTED_READINGS ? ` The last ${PRINTED_READINGS} are printed.` : "";
  put("readings-line", rows.length ? `${rows.length} reading${rows.length > 1 ? "s" : ""}, the newest first.${more} The saved file goes to linkcalc survey.` : "None yet. Read with the antennas at their real heights, once with the engine running.");
  $("json").value = readingsFile();
}

// ---------------------------------------------------------------- measured

function measuredNoise(judged, running) {
  const over = judged.filter((r) => r.at.running === running && r.told?.noise != null).map((r) => r.told.noise - r.at.noise);
  if (over.length < M.fewestForNoise) return null;
  const middle = median(over);
  const scatter = Math.max(1.4826 * median(over.map((v) => Math.abs(v - middle))), M.error);
  return { shift: middle, error: Math.max((1.25 * scatter) / Math.sqrt(over.length), 0.3) };
}

function heardBy(w, judged, chosen, noises, receiver) {
  const mine = chosen.filter((r) => r.w === w);
  const counts = new Map();
  mine.filter((r) => r.reading.sent !== null).forEach((r) => {
    const key = `${r.at.margin.toFixed(6)} ${r.at.running}`;
    const sum = counts.get(key) ?? { margin: r.at.margin, sent: 0, received: 0, noise: noises[r.at.running] };
    sum.sent += r.reading.sent;
    sum.received += r.reading.received;
    counts.set(key, sum);
  });
  const most = judged.filter((r) => r.w === w && r.told?.noiseMost != null).map((r) => r.told.noiseMost - r.at.noise);
  return {
    levels: mine.filter((r) => r.level !== null).map((r) => ({ shift: r.over, head: r.told.head, packets: Math.max(r.reading.received ?? 1, 1) })),
    counts: [...counts.values()],
    noise: noises.true ?? noises.false,
    place: receiver.place,
    time: receiver.time,
    noiseMost: most.length ? quantile(most, 0.25) + M.noiseSlack : Infinity,
  };
}

// The measured verdict for the heights and parts set on the sheet.
function measured(found) {
  const weighable = rows.filter((r) => !r.lacking);
  const spots = new Set(weighable.map((r) => r.reading.spot || ""));
  const spotName = spots.size > 1 ? weighable[weighable.length - 1].reading.spot || "" : null;
  const judged = spotName === null ? weighable : weighable.filter((r) => (r.reading.spot || "") === spotName);
  if (!judged.some((r) => r.level !== null || r.reading.sent !== null)) return null;
  const receivers = found.ways.map((way) => M.receivers[way.receiver][sheet.feeder[way.receiver]]);
  const noises = [0, 1].map((w) => {
    const mine = judged.filter((r) => r.w === w);
    return { true: measuredNoise(mine, true), false: measuredNoise(mine, false) };
  });
  const same = (r) => r.heights.every((m, e) => Math.abs(m - sheet.height[e]) <= M.sameHeight);
  const byHeight = new Map();
  judged.forEach((r) => {
    const key = same(r) ? "" : r.heights.join();
    byHeight.set(key, [...(byHeight.get(key) ?? []), r]);
  });
  const kind = kindOf(found.ways[0].k);
  const sorted = [...byHeight.entries()].sort((a, b) => (a[0] === "" ? -1 : b[0] === "" ? 1 : b[1].length - a[1].length)).slice(0, 6);
  const groups = sorted.map(([key, chosen]) => {
    const directions = [0, 1].map((w) => heardBy(w, judged, chosen, noises[w], receivers[w]));
    const count = Math.max(1, ...directions.map((h) => h.levels.reduce((sum, l) => sum + l.packets, 0)));
    const table = M.ripple[kind][key === "" ? 0 : 1];
    return { directions, ripple: table[Math.min(Math.round(count), table.length) - 1] };
  });
  const states = new Map();
  judged.forEach((r) => r.foliage && states.set(r.foliage, (states.get(r.foliage) ?? 0) + 1));
  const day = [...states.entries()].sort((a, b) => b[1] - a[1])[0]?.[0];
  const untold = M.foliage.length && judged.some((r) => r.reading.leaf == null);
  const toCome = day ? day.sigma || (untold ? M.untoldSigma : 0) : 0;
  const answers = weighed(groups, kind, toCome);
  const ways = found.ways.map((way, w) => {
    const { shortfall, wrong, otherwise } = answers[w];
    const mine = judged.filter((r) => r.w === w);
    const needed = requiredOf(way.k, receivers[w].conditions, shortfall.sigma);
    const failsBelow = leastOf(way.k, receivers[w].conditions);
    const margin = way.margin - shortfall.quantile(0.5);
    const levels = mine.filter((r) => r.level !== null);
    const odd = wrong.filter((p) => p > 0.5).length;
    const impossible = levels.filter((r) => r.told.undecodable).length;
    const counted = mine.filter((r) => r.reading.sent !== null);
    const [sent, received] = ["sent", "received"].map((key) => counted.reduce((sum, r) => sum + r.reading[key], 0));
    const noise = noises[w].true ?? noises[w].false;
    return {
      way, margin, needed, sent, received, noise,
      interval: [way.margin - shortfall.quantile(0.975), way.margin - shortfall.quantile(0.025)],
      verdict: verdictOf(margin, needed, failsBelow, found.lawful),
      contradicts: 2 * Math.min(Math.max(odd, impossible), levels.length) > levels.length && levels.length > 0,
      unexplained: sent - received >= 3 && otherwise >= 0.05 ? otherwise : 0,
      empty: !levels.length && !counted.length,
    };
  });
  const weaker = ways[1].margin - ways[1].needed < ways[0].margin - ways[0].needed ? ways[1] : ways[0];
  let { verdict } = weaker;
  if (verdict === "closes" && ways.some((way) => way.contradicts || way.unexplained)) verdict = "at_risk";
  return { ways, weaker, verdict, spotName, toCome: day?.toCome ?? 0, sigma: toCome, left: rows.length - judged.length };
}

let waiting = null;
// After the prediction, so that typing is not held up by sums.
function measureSoon(found) {
  clearTimeout(waiting);
  $("measured-bar").classList.add("waiting");
  waiting = setTimeout(() => showMeasured(found), 20);
}

function showMeasured(found) {
  const answer = measured(found);
  const bar = $("measured-bar");
  bar.className = answer ? answer.verdict : "";
  bar.hidden = !answer;
  $("verdict-measured").hidden = !answer;
  if (!answer) {
    bar.dataset.verdict = "";
    [0, 1].forEach((w) => put(w === 0 ? "forward-measured" : "return-measured", "not yet", ""));
    return;
  }
  const { weaker } = answer;
  const [low, high] = weaker.interval;
  bar.dataset.verdict = answer.verdict;
  put("measured", `MEASURED ${data.verdicts[answer.verdict]}`);
  put("measured-margin", `${decibels(weaker.margin)} (${fixed(low, 0)} to ${fixed(high, 0)})`, weaker.margin);
  answer.ways.forEach((way, w) => {
    const id = w === 0 ? "forward" : "return";
    put(`${id}-measured`, fixed(way.margin, 1), way.margin);
    $(`${id}-measured`).dataset.low = way.interval[0];
    $(`${id}-measured`).dataset.high = way.interval[1];
    $(`${id}-measured`).dataset.needed = way.needed;
  });
  const said = answer.ways.map((m) => {
    const pieces = [];
    if (m.empty) pieces.push("nothing read, inferred from the other direction");
    else pieces.push(`${decibels(m.margin)} of margin, 95\u00a0% interval ${fixed(m.interval[0], 0)} to ${fixed(m.interval[1], 0)}`);
    pieces.push(`${decibels(m.needed)} required`);
    if (m.sent) pieces.push(proofWords(m.sent, m.received));
    if (m.noise && m.noise.shift > 3) pieces.push(`noise ${decibels(m.noise.shift)} over the expected`);
    if (m.contradicts) pieces.push("the levels read contradict the answer: check settings and antennas, read again");
    if (m.unexplained) pieces.push(`some ${fixed(100 * m.unexplained, 0)}\u00a0% lost for another reason than the level`);
    return `${wayWords(m.way)}: ${pieces.join("; ")}.`;
  });
  const spotted = answer.spotName === null ? "" : ` For the spot ${answer.spotName || "without a name"}, the last one read.`;
  const leaves = answer.sigma ? ` Leaves to come: ${decibels(answer.toCome)} taken off, uncertainty ${decibels(answer.sigma)}.` : "";
  put("verdict-measured", `${said.join(" ")}${leaves}${spotted} For the heights and parts set here.`);
}

// What a count proves, and what a whole round would.
function proofWords(sent, received) {
  const share = proven(sent, received);
  const sure = `${Math.round(100 * data.measured.confidence)}\u00a0%`;
  const said = `${received} of ${sent} packets`;
  if (share === null) return `${said} arrived`;
  return `${said} prove that ${percentFloor(share)} arrive, ${sure} sure`;
}

const percentFloor = (share) => `${fixed(Math.floor(1000 * share) / 10, 1)}\u00a0%`;

function showReadings(found) {
  measureSoon(found);
}

function readingsFile() {
  const [near, far] = sheet.height;
  const content = {
    link: data.link,
    plan_digest: data.digest,
    where: WHERE,
    linkcalc_version: data.version,
    heights: { near_height_m: near, far_height_m: far },
    // each reading with what was set and fitted for it
    readings: sheet.readings.map(({ id, ...reading }) => reading),
  };
  return `${JSON.stringify(content, null, 1)}\n`;
}

const fileName = () => {
  const day = new Date(Date.now() - new Date().getTimezoneOffset() * 60000).toISOString().slice(0, 10);
  const plain = data.link.normalize("NFKD").replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "").slice(0, 60) || "link";
  return `readings-${plain}-${day}.json`;
};

function readingEntered() {
  const wrong = (id, text) => {
    $(id).focus();
    $(id).setAttribute("aria-invalid", "true");
    put("reading-error", text);
    return null;
  };
  ["rssi", "snr", "sent", "received"].forEach((id) => $(id).removeAttribute("aria-invalid"));
  put("reading-error", "");
  const value = (id) => ($(id).value.trim() === "" ? null : numberIn($(id).value));
  let rssi = value("rssi");
  const [snr, sent, received] = ["snr", "sent", "received"].map(value);
  if (rssi !== null) rssi = -Math.abs(rssi);
  if (rssi !== null && !(rssi >= -160 && rssi <= -10)) return wrong("rssi", "The RSSI must be a number like -97, from -160 to -10 dBm.");
  if (snr !== null && !(snr >= -40 && snr <= 70)) return wrong("snr", "The SNR must be a number like -7.5, from -40 to 70 dB.");
  for (const [id, n] of [["sent", sent], ["received", received]]) {
    if (n !== null && !(Number.isInteger(n) && n >= 0 && n <= 1e6)) return wrong(id, `Packets ${id} must be a whole number.`);
  }
  if (sent !== null && received === null) return wrong("received", "How many of the packets sent were received?");
  if (sent === null && received !== null) return wrong("sent", "How many packets were sent?");
  if (sent === 0) return wrong("sent", "No packet sent: this is not a reading.");
  if (sent !== null && received > sent) return wrong("received", "More received than sent: are they swapped?");
  if (rssi === null && snr === null && received === null) return wrong("rssi", "Enter the RSSI and SNR, or the packets sent and received.");
  if (received === 0 && (rssi !== null || snr !== null)) return wrong("rssi", "Nothing was received, so this level is not that of a packet: leave RSSI and SNR empty.");
  const { required, thermal } = expectedNow();
  const doubt =
    snr !== null && snr < required - 3
      ? `At an SNR of ${decibels(snr)} ${data.signals[sheet.signal].name} decodes nothing; it needs ${decibels(required)}. Is it the spreading factor that was set, and the packet's SNR?`
      : rssi !== null && snr !== null && rssi + between(data.snr, data.signalOverRssi, -snr) < thermal - 3
        ? `RSSI ${fixed(rssi, 0)}\u00a0dBm with SNR ${decibels(snr)} puts the noise below thermal noise, which cannot be. Was either misread?`
        : "";
  if (doubt && !window.confirm(`${doubt} Add it all the same?`)) return wrong("snr", doubt);
  const leaf = M.foliage.length ? $("leaf").value : null;
  return {
    id: newId(),
    time: localTime(),
    direction: direction(),
    rssi_dbm: rssi,
    snr_db: snr,
    sent,
    received,
    near_height_m: sheet.height[0],
    far_height_m: sheet.height[1],
    engine_running: $("engine").checked,
    leaf,
    wet_foliage: leaf === null ? null : $("wet").checked,
    spot: $("spot").value.trim().slice(0, 60),
    latitude_deg: here?.latitude ?? null,
    longitude_deg: here?.longitude ?? null,
    note: $("note").value.trim().slice(0, 200),
    ...parts(sheet),
  };
}

const newId = () => `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 10)}`;
const direction = () => document.querySelector('input[name="direction"]:checked').value;
const localTime = () => {
  const now = new Date();
  return new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 19);
};

// What the receiver that the form is for expects of a signal as set.
function expectedNow() {
  const receiver = direction() === "forward" ? 1 : 0;
  return { required: data.signals[sheet.signal].snr, thermal: M.receivers[receiver][sheet.feeder[receiver]].thermal };
}

// ---------------------------------------------------------------- packet counter

let ticking = null;

function counterWords() {
  const c = sheet.counter;
  if (!c) return "";
  const share = proven(c.sent, c.heard);
  const round = [50, 100, 200, 300].find((n) => n >= c.sent) ?? M.provenCount;
  const whole = proven(round, round - (c.sent - c.heard));
  const so = `${c.heard} of ${c.sent} so far`;
  if (share === null || !c.sent) return c.sent ? `${so}.` : "Nothing sent yet.";
  const wouldBe = whole === null ? "" : `; ${round - (c.sent - c.heard)} of ${round} would prove ${percentFloor(whole)}`;
  return `${so}: proves ${percentFloor(share)}${wouldBe}.`;
}

function count() {
  const c = sheet.counter;
  if (c?.started) {
    const due = Math.floor((Date.now() - c.started) / 1000 / c.every) + 1;
    c.sent = Math.max(Math.min(due + c.correction, 100000), 0);
  }
  if (c) c.sent = Math.max(c.sent, c.heard);
  $("count-start").textContent = c?.started ? "Stop" : c ? "Go on" : "Start with the first packet";
  $("count-heard").disabled = $("count-use").disabled = $("count-sent-less").disabled = $("count-sent-more").disabled = !c;
  put("count-sent", c ? `${c.sent} sent` : "");
  put("count-time", c?.started ? `${Math.floor((Date.now() - c.started) / 1000)}\u00a0s` : "");
  put("count-proof", counterWords());
  clearInterval(ticking);
  ticking = c?.started ? setInterval(count, 1000) : null;
}

function enterCounter() {
  const changed = () => {
    count();
    keep();
  };
  $("count-start").addEventListener("click", () => {
    const every = numberIn($("count-every").value);
    if (!(every >= 0.1 && every <= 3600)) return put("count-proof", "Seconds between packets: a number from 0.1 to 3600.");
    const c = sheet.counter ?? { heard: 0, sent: 0, correction: 0, started: null };
    if (c.started) c.started = null;
    else {
      c.every = every;
      c.correction = c.sent;
      c.started = Date.now();
    }
    sheet.counter = c;
    changed();
  });
  $("count-heard").addEventListener("click", () => {
    sheet.counter.heard += 1;
    changed();
  });
  for (const [id, by] of [["count-sent-less", -1], ["count-sent-more", 1]]) {
    $(id).addEventListener("click", () => {
      sheet.counter.correction += by;
      if (!sheet.counter.started) sheet.counter.sent += by;
      changed();
    });
  }
  $("count-use").addEventListener("click", () => {
    count();
    $("sent").value = sheet.counter.sent;
    $("received").value = sheet.counter.heard;
    sheet.counter = null;
    keepEntry();
    changed();
    $("rssi").focus();
  });
}

// ---------------------------------------------------------------- where am I

let here = null;

function enterPlace() {
  $("place-locate").addEventListener("click", () => {
    if (!navigator.geolocation) return put("place-said", "This browser gives no position. Paste it from another program: latitude, longitude.");
    put("place-said", "Asking the phone for its position...");
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        $("place").value = `${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`;
        placed(coords.accuracy);
      },
      () => put("place-said", "The browser gives no position to a page opened from a file, or it was refused. Paste it from another program: latitude, longitude."),
      { enableHighAccuracy: true, timeout: 30000, maximumAge: 60000 },
    );
  });
  $("place").addEventListener("change", () => placed());
}

function placed(accuracy) {
  here = null;
  const text = $("place").value.trim();
  keepEntry();
  if (!text) return put("place-said", "");
  const numbers = text.match(/[+-\u2212]?\d+(?:\.\d+)?/g)?.map((t) => numberIn(t)) ?? [];
  if (numbers.length !== 2 || !(Math.abs(numbers[0]) <= 90 && Math.abs(numbers[1]) <= 180)) {
    return put("place-said", "Write it as latitude, longitude in degrees, like -20.12345, 30.54321.");
  }
  here = { latitude: numbers[0], longitude: numbers[1] };
  put("place-said", placeWords(accuracy));
}

// On a sphere: good to half a per cent, as the phone's compass and its position are not better.
function courseTo([latitude, longitude], from = [here.latitude, here.longitude]) {
  const rad = Math.PI / 180;
  const [a, b, dl] = [from[0] * rad, latitude * rad, (longitude - from[1]) * rad];
  const y = Math.sin(dl) * Math.cos(b);
  const x = Math.cos(a) * Math.sin(b) - Math.sin(a) * Math.cos(b) * Math.cos(dl);
  const half = Math.sin((b - a) / 2) ** 2 + Math.cos(a) * Math.cos(b) * Math.sin(dl / 2) ** 2;
  return { bearing: (Math.atan2(y, x) / rad + 360) % 360, metres: 2 * 6371009 * Math.asin(Math.min(Math.sqrt(half), 1)) };
}

function placeWords(accuracy) {
  const courses = data.ends.map((end) => (end.position ? courseTo(end.position) : null));
  if (courses.every((c) => c === null)) return "The plan gives its stations no positions, so this one cannot be compared.";
  const near = courses[0] && (!courses[1] || courses[0].metres <= courses[1].metres) ? 0 : 1;
  const said = [`You stand ${distanceWords(courses[near].metres)} from the planned ${NAMES[near]}.`];
  const other = courses[1 - near];
  if (other) said.push(`To ${NAMES[1 - near]}: ${distanceWords(other.metres)}, ${bearingWords(other.bearing)}.`);
  if (accuracy) said.push(`The phone states an accuracy of ${Math.round(accuracy)}\u00a0m.`);
  return said.join(" ");
}

function bearingWords(bearing) {
  const round = (b) => `${String(Math.round((b + 360) % 360) % 360).padStart(3, "0")}\u00b0`;
  return data.declination === null ? `bearing ${round(bearing)} true` : `bearing ${round(bearing)} true, ${round(bearing - data.declination)} by the compass`;
}

// ---------------------------------------------------------------- what is kept

let keeps = false;
let written = { ids: null, text: null }; // the readings as last kept

function keep() {
  try {
    const { readings, ...rest } = sheet;
    localStorage.setItem(KEY, JSON.stringify(rest));
    keeps = true;
    put("kept-line", "Kept in this browser; it is here again when the page, or a new sheet of this link, is opened. Save the readings all the same before you leave.");
    const ids = readings.map((r) => r.id).join();
    if (ids === written.ids && localStorage.getItem(READINGS_KEY) === written.text) return;
    const kept = keptReadings();
    kept.removed.forEach((id) => removed.add(id));
    const ours = new Set(readings.map((r) => r.id));
    const others = kept.readings.filter((r) => !ours.has(r.id) && !removed.has(r.id));
    const gone = readings.some((r) => removed.has(r.id));
    if (others.length || gone) {
      // another window of this sheet wrote meanwhile: neither may write over the other's readings
      sheet.readings = [...readings.filter((r) => !removed.has(r.id)), ...others].sort((a, b) => (a.time < b.time ? -1 : a.time > b.time ? 1 : 0));
      listReadings();
      measureSoon(judgedAt(fitted(), sheet.height));
    }
    const text = JSON.stringify({ readings: sheet.readings, removed: [...removed].slice(-500) });
    localStorage.setItem(READINGS_KEY, text);
    written = { ids: sheet.readings.map((r) => r.id).join(), text };
  } catch (error) {
    keeps = false;
    put("kept-line", "This browser keeps nothing: save the readings before closing the page.");
  }
}

function keptReadings() {
  const found = { readings: [], removed: [] };
  try {
    const kept = JSON.parse(localStorage.getItem(READINGS_KEY));
    if (Array.isArray(kept?.readings)) found.readings = kept.readings.map(inTodaysWords).filter(soundReading);
    if (Array.isArray(kept?.removed)) found.removed = kept.removed.filter((id) => typeof id === "string");
  } catch (error) {
    // what is damaged is left out
  }
  return found;
}

// The same sheet open twice: readings are taken over at once, what is entered when its window is looked at.
function catchUp(event) {
  if (!keeps) return;
  if (event.type === "storage") {
    if (event.key === READINGS_KEY) keep();
  } else if (document.visibilityState === "visible") {
    const kept = localStorage.getItem(KEY);
    if (kept !== null && kept !== JSON.stringify({ ...sheet, readings: undefined })) reopen();
    else keep();
  }
}

const NUMBERS = ["rssi_dbm", "snr_db", "sent", "received", "near_height_m", "far_height_m", "spreading_factor", "bandwidth_khz", "latitude_deg", "longitude_deg",
  ...SIDES.flatMap((side) => [`${side}_power_dbm`, `${side}_antenna_gain_dbi`, `${side}_feeder_loss_db`])];
const WORDS = ["note", "spot", ...SIDES.flatMap((side) => [`${side}_antenna`, `${side}_feeder`])];

// What sheets of before wrote.
const FORMER = { there: "forward", back: "return" };
const inTodaysWords = (r) => (r && typeof r === "object" && r.direction in FORMER ? { ...r, direction: FORMER[r.direction] } : r);

const soundReading = (r) =>
  r && typeof r === "object" && typeof r.id === "string" && (r.time === null || typeof r.time === "string") && ["forward", "return"].includes(r.direction) &&
  NUMBERS.every((key) => r[key] == null || Number.isFinite(r[key])) && WORDS.every((key) => r[key] == null || typeof r[key] === "string") &&
  ["rssi_dbm", "snr_db", "sent", "received"].every((key) => r[key] !== undefined) && [null, undefined, true, false].includes(r.engine_running) &&
  [null, undefined, "in_leaf", "out_of_leaf"].includes(r.leaf) && (r.sent === null || (r.received >= 0 && r.received <= r.sent && r.sent > 0)) &&
  [r.near_height_m, r.far_height_m].every((m) => m == null || m > 0) && (r.rssi_dbm !== null || r.snr_db !== null || r.received !== null);

// Numbers of parts that this sheet has; else those planned.
function soundParts(kept) {
  const one = (value, list, otherwise) => (Number.isInteger(value) && value in list ? value : otherwise);
  return {
    antenna: data.ends.map((end, e) => one(kept?.antenna?.[e], end.antennas, 0)),
    feeder: data.ends.map((end, e) => one(kept?.feeder?.[e], end.feeders, 0)),
    signal: one(kept?.signal, data.signals, data.signal),
  };
}

function recalled() {
  const start = initial();
  try {
    const kept = JSON.parse(localStorage.getItem(KEY));
    if (kept !== null && typeof kept === "object") {
      GRID.forEach((values, e) => {
        if (kept.height?.[e] >= values[0] && kept.height[e] <= values[values.length - 1]) start.height[e] = kept.height[e];
      });
      Object.assign(start, soundParts(kept));
      if (kept.units === "ft" || kept.units === "m") start.units = kept.units;
      if (kept.entry && typeof kept.entry === "object") start.entry = kept.entry;
      const c = kept.counter;
      if (c && [c.heard, c.sent, c.correction, c.every].every(Number.isFinite) && (c.started === null || Number.isFinite(c.started))) start.counter = c;
    }
    const readings = keptReadings();
    removed = new Set(readings.removed);
    start.readings = readings.readings;
  } catch (error) {
    // nothing is kept here
  }
  return start;
}

// Readings of a file: those of this phone are not doubled.
function openReadings(text, name) {
  let content;
  try {
    content = JSON.parse(text);
  } catch (error) {
    return `${name} is not a readings file saved by a field sheet.`;
  }
  const list = Array.isArray(content) ? content : content?.readings;
  if (!Array.isArray(list)) return `${name} holds no readings.`;
  if (content.link && content.link !== data.link) return `${name} is of the link "${content.link}", this sheet of "${data.link}": not taken over.`;
  if (content.where && !atThisSite(content.where)) return `${name} was saved at another site, whose link is called "${data.link}" too: not taken over.`;
  const unplaced = !content.where && content.plan_digest !== data.digest;
  const blank = Object.fromEntries([...NUMBERS, "time", "engine_running", "leaf", "wet_foliage"].map((key) => [key, null]));
  const bare = ({ id, ...r }) => JSON.stringify(Object.entries({ ...blank, note: "", spot: "", ...r }).filter(([, v]) => v !== null && v !== "").sort());
  const known = new Set(sheet.readings.map(bare));
  const heights = content.heights && typeof content.heights === "object" ? content.heights : {};
  const found = list.map((r) => ({ ...blank, note: "", spot: "", ...heights, ...content.settings, ...r, id: newId() }));
  const sound = found.map(inTodaysWords).filter(soundReading);
  const added = sound.filter((r) => !known.has(bare(r)));
  sheet.readings.push(...added);
  listReadings();
  show();
  const lacking = rows.slice(rows.length - added.length).filter((r) => r.lacking).length;
  const bad = found.length - sound.length;
  return [
    `${name}: ${added.length} reading${added.length === 1 ? "" : "s"} taken over`,
    sound.length > added.length ? `${sound.length - added.length} were here already` : "",
    bad ? `${bad} cannot be used` : "",
    unplaced && added.length ? "the file does not say at which site, make sure that it was this one" : "",
    lacking ? `${lacking} taken with parts this sheet does not have, kept and not weighed` : "",
  ].filter(Boolean).join("; ") + ".";
}

// ---------------------------------------------------------------- entries

const TYPED = ["rssi", "snr", "sent", "received", "note", "spot", "place", "count-every"];

function keepEntry() {
  sheet.entry = { direction: direction(), engine: $("engine").checked, wet: $("wet").checked, leaf: $("leaf").value };
  TYPED.forEach((id) => (sheet.entry[id] = $(id).value));
  keep();
}

function fillEntry() {
  const { entry } = sheet;
  TYPED.forEach((id) => ($(id).value = typeof entry[id] === "string" ? entry[id].slice(0, 300) : id === "count-every" ? "10" : ""));
  document.querySelector(`input[name="direction"][value="${entry.direction === "return" ? "return" : "forward"}"]`).checked = true;
  $("engine").checked = entry.engine === true;
  $("wet").checked = entry.wet === true;
  $("leaf").value = ["in_leaf", "out_of_leaf"].includes(entry.leaf) ? entry.leaf : leafToday();
  if ($("place").value) placed();
}

// Bare in the winter months outside the tropics, as the survey takes it by the date.
function leafToday() {
  const latitude = data.ends[0].position?.[0];
  if (latitude === undefined || Math.abs(latitude) < 23.5) return M.plannedLeaf;
  const winter = latitude > 0 ? [11, 12, 1, 2, 3] : [5, 6, 7, 8, 9];
  return winter.includes(new Date().getMonth() + 1) ? "out_of_leaf" : "in_leaf";
}

function fill() {
  SIDES.forEach((side, e) => {
    $(`${side}-antenna`).value = sheet.antenna[e];
    $(`${side}-feeder`).value = sheet.feeder[e];
  });
  $("signal").value = sheet.signal;
  document.querySelector(`input[name="units"][value="${sheet.units}"]`).checked = true;
}

// What a reading says by itself, at once.
function saidOf(reading) {
  const { told, at, over } = judgedReading(reading);
  const said = [];
  if (told?.noise != null && told.noise - at.noise > 3) said.push(`The noise heard is ${decibels(told.noise - at.noise)} above the expected: find its source, and count it.`);
  if (told?.impossible) said.push("RSSI and SNR contradict each other: the level is taken from the SNR.");
  if (over !== null && over < -6) said.push(`${decibels(-over)} under the level expected: look for a cause (polarisation, connector, a tree, metal near an antenna).`);
  return said.join(" ");
}

function complain(side, text) {
  $(`${side}-said`).setAttribute("role", "alert");
  put(`${side}-said`, text);
}

function reopen() {
  sheet = recalled();
  fill();
  fillEntry();
  count();
  listReadings();
  show();
}

function enter() {
  SIDES.forEach((side, e) => {
    const box = $(`${side}-height`);
    const typed = (event) => {
      const metres = metresIn(box.value);
      const value = metres;
      const [low, high] = [data[side][0], data[side][data[side].length - 1]];
      const good = !Number.isNaN(value);
      if (good) sheet.height[e] = Math.min(Math.max(Math.round(metres * 1000) / 1000, low), high);
      show(event.type === "input" ? side : null);
      if (!good) box.setAttribute("aria-invalid", "true");
      else box.removeAttribute("aria-invalid");
      const slack = feet() ? 0.05 * FEET : 0; // the limits as shown are rounded
      if (!good) complain(side, `Not a number: ${heightWords(low)} to ${heightWords(high)} can be entered.`);
      else if (metres < low - slack - 1e-6 || metres > high + slack + 1e-6) complain(side, `Only ${heightWords(low)} to ${heightWords(high)} were worked out; a new sheet can hold more.`);
    };
    box.addEventListener("input", typed);
    box.addEventListener("change", typed);
    $(`${side}-slider`).addEventListener("input", (event) => {
      sheet.height[e] = data[side][Number(event.target.value)];
      show();
    });
    for (const what of ["antenna", "feeder"]) {
      $(`${side}-${what}`).addEventListener("change", (event) => {
        sheet[what][e] = Number(event.target.value);
        show();
      });
    }
  });
  document.querySelectorAll("button[data-step]").forEach((button) => {
    const step = () => {
      const e = SIDES.indexOf(button.dataset.for);
      const now = sheet.height[e];
      const next = Number(button.dataset.step) > 0 ? GRID[e].find((m) => m > now + 1e-6) : GRID[e].filter((m) => m < now - 1e-6).pop();
      sheet.height[e] = next ?? now;
      show();
    };
    let held = null;
    let repeated = false;
    const release = () => {
      clearTimeout(held);
      held = null;
    };
    button.addEventListener("pointerdown", () => {
      repeated = false;
      const again = () => {
        repeated = true;
        step();
        held = setTimeout(again, 90);
      };
      release();
      held = setTimeout(again, 500);
    });
    ["pointerup", "pointerleave", "pointercancel"].forEach((name) => button.addEventListener(name, release));
    button.addEventListener("click", () => {
      release();
      if (!repeated) step();
      repeated = false;
    });
  });
  $("signal").addEventListener("change", (event) => {
    sheet.signal = Number(event.target.value);
    show();
  });
  document.querySelectorAll('input[name="units"]').forEach((radio) =>
    radio.addEventListener("change", () => {
      sheet.units = radio.value;
      show();
    }),
  );
  $("snr-sign").addEventListener("click", () => {
    const text = $("snr").value.trim();
    $("snr").value = /^[-\u2212]/.test(text) ? text.slice(1) : `-${text}`;
    $("snr").focus();
  });
  $("reading-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const reading = readingEntered();
    if (reading === null) return;
    sheet.readings.push(reading);
    ["rssi", "snr", "sent", "received", "note"].forEach((id) => ($(id).value = ""));
    keepEntry();
    listReadings();
    show();
    put("reading-said", saidOf(reading));
    $("rssi").focus();
  });
  TYPED.forEach((id) => $(id).addEventListener("input", keepEntry));
  ["engine", "wet", "leaf"].forEach((id) => $(id).addEventListener("change", keepEntry));
  document.querySelectorAll('input[name="direction"]').forEach((radio) => radio.addEventListener("change", keepEntry));
  enterCounter();
  enterPlace();
  $("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([readingsFile()], { type: "application/json" }));
    link.download = fileName();
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
  $("open").addEventListener("change", async (event) => {
    const said = [];
    for (const file of event.target.files) said.push(openReadings(await file.text(), file.name));
    event.target.value = "";
    put("opened-line", said.join(" "));
  });
  $("copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(readingsFile());
      put("opened-line", "The readings are copied; paste them into a message or a note.");
    } catch (error) {
      $("json").closest("details").open = true;
      $("json").focus();
      $("json").select();
      put("opened-line", "This browser does not let a page copy: the text is marked below, copy it by hand.");
    }
  });
  $("share").hidden = !navigator.share;
  $("share").addEventListener("click", async () => {
    try {
      const file = new File([readingsFile()], fileName(), { type: "application/json" });
      await navigator.share(navigator.canShare?.({ files: [file] }) ? { files: [file] } : { title: fileName(), text: readingsFile() });
    } catch (error) {
      if (error.name !== "AbortError") put("opened-line", "This browser does not share from a file: save or copy the readings.");
    }
  });
  $("print").addEventListener("click", () => window.print());
  $("clear").addEventListener("click", () => {
    if (!window.confirm("Clear everything entered on this sheet, readings included?")) return;
    sheet.readings.forEach((r) => removed.add(r.id));
    sheet = initial();
    fill();
    fillEntry();
    count();
    listReadings();
    show();
  });
  window.addEventListener("resize", () => show(SIDES.find((side) => document.activeElement === $(`${side}-height`))));
  window.addEventListener("storage", catchUp);
  window.addEventListener("pageshow", catchUp);
  document.addEventListener("visibilitychange", catchUp);
}

$("no-script").remove();
enter();
reopen();
