"use strict";
// Adds terms and looks tables up. All that is physics was worked out before this page was written.

const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const SIDES = ["near", "far"];
const FEET = 0.3048;
const PRINTED_READINGS = 10;
const KEY = `linkcalc field sheet ${data.digest.slice(0, 16)} ${data.link}`;
const GRID = [data.near, data.far];
// As on the rest of the page: nothing that would turn the text around it.
const NAMES = data.ends.map((end) => end.name.replace(/[\p{Cc}\p{Cf}\p{Co}]/gu, ""));

// ---------------------------------------------------------------- tables

function decoded(table) {
  const text = atob(table.bytes);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  const kinds = { u1: Uint8Array, u2: Uint16Array, i2: Int16Array };
  return new kinds[table.kind](bytes.buffer); // little-endian, as every phone and computer today
}

const loss = decoded(data.loss);
const spread = decoded(data.spread);
const state = decoded(data.state);
const worst = decoded(data.worst);
const clearance = decoded(data.clearance);
const ratio = decoded(data.ratio);
const success = decoded(data.success);

function place(axis, value) {
  const at = Math.min(Math.max((value - axis.first) / axis.step, 0), axis.count - 1);
  const low = Math.min(Math.floor(at), axis.count - 2);
  return [low, at - low];
}

function between(axis, values, value, offset = 0) {
  const [low, share] = place(axis, value);
  return values[offset + low] * (1 - share) + values[offset + low + 1] * share;
}

function successOf(fading, sigma, margin) {
  const [row, share] = place(data.sigma, sigma);
  const at = (fading * data.sigma.count + row) * data.margin.count;
  const lower = between(data.margin, success, margin, at);
  const upper = between(data.margin, success, margin, at + data.margin.count);
  return (lower * (1 - share) + upper * share) * data.success.step;
}

// ---------------------------------------------------------------- the link

const initial = () => ({
  height: data.ends.map((end) => end.planned), // metres, as entered
  antenna: [0, 0],
  feeder: [0, 0],
  signal: data.signal,
  units: "m",
  readings: [],
});
let sheet = initial();

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
  return (row(i.low) * (1 - i.share) + row(i.high) * i.share) * at.step;
}

// All that does not depend on the heights, so that every pair of heights is quickly looked at.
function fitted(chosen = sheet) {
  const ends = data.ends.map((end, e) => ({
    power: end.power,
    gain: end.antennas[chosen.antenna[e]].gain,
    feeder: end.feeders[chosen.feeder[e]],
    extra: end.extra,
  }));
  const least = ends.map((end) => end.feeder.noise + data.signals[chosen.signal].snr);
  const gain = ends[0].gain.map((g, i) => g + ends[1].gain[i]);
  const lost = ends[0].feeder.loss + ends[1].feeder.loss + ends[0].extra + ends[1].extra + data.polarisationDb;
  return { ends, least, gain, lost };
}

// At two of the heights worked out, by their numbers.
function judged(fit, i, j) {
  const at = i * data.far.length + j;
  return judgedWith(fit, data.far[j] - data.near[i], loss[at] * data.loss.step, spread[at] * data.spread.step, at);
}

// At any two heights, in metres.
function judgedAt(fit, heights) {
  const spots = heights.map((metres, e) => spot(GRID[e], metres));
  const at = spots[0].nearer * data.far.length + spots[1].nearer;
  const [lost, spreadDb] = [mixed(loss, data.loss, spots), mixed(spread, data.spread, spots)];
  return { ...judgedWith(fit, heights[1] - heights[0], lost, spreadDb, at), spots };
}

function judgedWith(fit, rise, lossDb, spreadDb, at) {
  const fading = state[at] & 3;
  const common = between(data.rise, fit.gain, rise) - fit.lost - lossDb;
  const ways = [0, 1].map((sender) => {
    const receiver = 1 - sender;
    const level = fit.ends[sender].power + common;
    const margin = level - fit.least[receiver];
    const sigma = Math.hypot(spreadDb, fit.ends[receiver].feeder.spread);
    const needed = between(data.sigma, data.needed[fading], sigma);
    const verdict = margin >= Math.max(needed, 0) ? "closes" : margin >= 0 ? "at_risk" : "does_not_close";
    return { sender, receiver, level, margin, sigma, needed, verdict, fading, least: fit.least[receiver] };
  });
  const order = ["does_not_close", "at_risk", "closes"];
  const [there, back] = ways;
  const rank = (way) => order.indexOf(way.verdict);
  const weaker =
    rank(back) < rank(there) || (rank(back) === rank(there) && back.margin - back.needed < there.margin - there.needed)
      ? back
      : there;
  return { ways, weaker, lacking: Math.max(there.needed - there.margin, back.needed - back.margin), at };
}

// ---------------------------------------------------------------- words

const MINUS = "\u2212";
const fixed = (value, digits) => {
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", MINUS);
};
const decibels = (value) => `${fixed(value, 1)}\u00a0dB`;
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
  put("verdict-margin", `${decibels(weaker.margin)} of margin predicted`, weaker.margin);
  const short = spare >= 0 ? `${decibels(spare)} more than asked` : `${decibels(-spare)} short of the ${decibels(weaker.needed)} asked`;
  put("verdict-line", `Weaker way ${wayWords(weaker)}: ${short}; a message arrives with ${percent(chance(weaker))}.`);
}

const chance = (way) => successOf(way.fading, way.sigma, way.margin);

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
    const id = w === 0 ? "there" : "back";
    put(`${id}-level`, fixed(way.level, 1), way.level);
    put(`${id}-least`, fixed(way.least, 1), way.least);
    put(`${id}-margin`, fixed(way.margin, 1), way.margin);
    put(`${id}-needed`, fixed(way.needed, 1), way.needed);
    put(`${id}-success`, percent(chance(way)), chance(way));
    put(`${id}-onair`, data.signals[sheet.signal].onAir[w].toFixed(3));
  });
  const sigma = Math.max(...found.ways.map((way) => way.sigma));
  const model = data.models[(state[found.at] >> 4) & 3];
  const tries = data.tries > 1 ? `, within ${data.tries} tries` : "";
  const measured = sheet.readings.length ? "the readings not counted" : "not yet measured";
  put("sure-line", `Predicted by ${model}, ${measured}: as likely as not within ${decibels(0.6745 * sigma)} of the truth (standard deviation ${decibels(sigma)}). A message arrives${tries}, that doubt counted.`);
}

function showLimits() {
  const line = $("limits-line");
  const said = data.ends.map((end, e) => {
    const [status, reason] = data.limits[end.limits[sheet.signal][sheet.antenna[e]][sheet.feeder[e]]];
    return { status, text: `${NAMES[e]}: ${status === "over" ? "over the table's legal limits, " : ""}${reason}` };
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
  ]);
  if (sheet.signal !== data.signal) changed.push("spreading factor");
  put("changed-line", changed.length ? `Other than planned: ${changed.join(", ")}. Change the plan too, before its readings are worked out.` : "");
}

function showAdvice(fit, found) {
  const items = [];
  const [near, far] = sheet.height;
  if (found.lacking <= 0) items.push(`What is asked is reached as it stands, with ${decibels(-found.lacking)} to spare.`);
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
  const x = worst[at] * data.worst.step;
  const clear = mixed(clearance, data.clearance, found.spots);
  const share = mixed(ratio, data.ratio, found.spots);
  const what = data.kinds[(state[at] >> 6) & 3];
  const where = `${distanceWords(x)} from ${NAMES[0]}`;
  const zone = `${fixed(100 * share, 0)}\u00a0% of the first Fresnel zone`;
  const said =
    clear < 0
      ? `Worst point ${where}: ${REACHES[what]} ${lengthWords(clear)} above the ray.`
      : `Worst point ${where}: the ray passes ${lengthWords(clear)} above ${REACHES[what].replace(/ reach(es)?$/, "")}, ${zone}${share >= 0.6 ? ", which is free enough" : "; 60\u00a0% is wanted"}.`;
  put("worst-line", said, clear);
  $("worst-line").dataset.distance = x;
  draw(x, clear);
}

function draw(worstX, clear) {
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
    add("text", { x: x.toFixed(1), y: y.toFixed(1), "text-anchor": anchor, "font-size": 13, fill: "#1b262e", ...more }, text);
  const unit = feet() ? FEET : 1;
  ticks(lowest / unit, highest / unit, 4).forEach((t) => {
    add("line", { x1: box.left, x2: box.right, y1: Y(t * unit), y2: Y(t * unit), stroke: "#d5dade" });
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
    add("line", { x1: X(x), x2: X(x), y1: Y(bottom[e ? n - 1 : 0]), y2: Y(tips[e]), stroke: "#1b262e", "stroke-width": 3 });
  });
  add("line", { x1: X(worstX), x2: X(worstX), y1: Y(ray(worstX)), y2: Y(ray(worstX) - clear), stroke: c.accent, "stroke-width": 2 });
  add("circle", { cx: X(worstX), cy: Y(ray(worstX) - clear), r: 5, fill: c.accent });
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

function judgedReading(reading) {
  const [w, fit] = [reading.direction === "there" ? 0 : 1, fitted(reading.fitted)];
  const way = judgedAt(fit, [reading.near_height_m, reading.far_height_m]).ways[w];
  const level = signalPower(reading, fit.ends[way.receiver].feeder.noise);
  return { way, level, over: level === null ? null : level - way.level };
}

const median = (values) => {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = Math.floor(sorted.length / 2);
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
};

function readingWords(reading, over) {
  const parts = [
    reading.rssi_dbm === null ? "" : `RSSI ${fixed(reading.rssi_dbm, 0)}\u00a0dBm`,
    reading.snr_db === null ? "" : `SNR ${decibels(reading.snr_db)}`,
    reading.sent === null ? "" : `${reading.received} of ${reading.sent} packets`,
    over === null ? "" : `${decibels(Math.abs(over))} ${over < 0 ? "under" : "over"} the level expected`,
    reading.engine_running ? "engine running" : "",
    otherParts(reading.fitted),
    reading.note,
  ];
  const heard = `${reading.time.slice(5, 16).replace("T", " ")}, at ${NAMES[reading.direction === "there" ? 1 : 0]}`;
  return `${heard}: ${parts.filter(Boolean).join(", ")}.`;
}

// What was fitted for a reading, as far as it is not what the plan says.
function otherParts(chosen) {
  const parts = data.ends.flatMap((end, e) => [
    ...(chosen.antenna[e] ? [`${end.antennas[chosen.antenna[e]].words} at ${NAMES[e]}`] : []),
    ...(chosen.feeder[e] ? [`${end.feeders[chosen.feeder[e]].words} at ${NAMES[e]}`] : []),
  ]);
  if (chosen.signal !== data.signal) parts.push(data.signals[chosen.signal].name);
  return parts.length ? `with ${parts.join(", ")}` : "";
}

let rows = []; // what the readings say, in their order

function listReadings() {
  rows = sheet.readings.map(judgedReading);
  $("readings-list").replaceChildren(
    ...sheet.readings.map((reading, k) => {
      const line = document.createElement("li");
      line.value = k + 1; // on paper too, where the first of many are left out
      line.append(Object.assign(document.createElement("span"), { textContent: readingWords(reading, rows[k].over) }));
      if (k < sheet.readings.length - PRINTED_READINGS) line.className = "more";
      const button = document.createElement("button");
      Object.assign(button, { type: "button", textContent: "Remove", className: "noprint" });
      button.setAttribute("aria-label", `Remove reading ${k + 1}`);
      button.addEventListener("click", () => {
        if (!window.confirm(`Remove reading ${k + 1}? ${readingWords(reading, rows[k].over)}`)) return;
        sheet.readings.splice(k, 1);
        listReadings();
        show();
        const left = document.querySelectorAll("#readings-list button");
        (left[Math.min(k, left.length - 1)] ?? $("rssi")).focus();
      });
      line.append(button);
      return line;
    }),
  );
  $("readings-list").className = rows.length > PRINTED_READINGS / 2 ? "many" : "";
  const more = rows.length > PRINTED_READINGS ? ` The last ${PRINTED_READINGS} are printed.` : "";
  put("readings-line", rows.length ? `${rows.length} reading${rows.length > 1 ? "s" : ""}.${more} The saved file goes to linkcalc survey, which weighs lost packets, doubt and season.` : "None yet. Read with the antennas at their real heights, once with the engine running.");
}

function showReadings(found) {
  const measured = [0, 1].map((w) => rows.filter((r) => r.way.sender === w && r.over !== null).map((r) => r.over));
  measured.forEach((values, w) => {
    const way = found.ways[w];
    const text = values.length ? fixed(way.margin + median(values), 1) : "not yet";
    put(w === 0 ? "there-measured" : "back-measured", text, values.length ? way.margin + median(values) : "");
  });
  const said = measured.flatMap((values, w) => {
    const parts = [];
    if (values.length) parts.push(`${decibels(found.ways[w].margin + median(values))} of margin as measured, ${decibels(Math.abs(median(values)))} ${median(values) < 0 ? "less" : "more"} than predicted`);
    const counted = sheet.readings.filter((r, k) => rows[k].way.sender === w && r.sent !== null);
    const total = (key) => counted.reduce((sum, r) => sum + r[key], 0);
    if (counted.length) parts.push(`${total("received")} of ${total("sent")} packets arrived`);
    return parts.length ? [`${wayWords(found.ways[w])}: ${parts.join("; ")}`] : [];
  });
  $("verdict-measured").hidden = !said.length;
  put("verdict-measured", said.length ? `${said.join(". ")}. Today's readings: no season allowed for.` : "");
  $("json").value = readingsFile();
}

function readingsFile() {
  const [near, far] = sheet.height;
  const built = data.ends.map((end, e) => `${end.name}: antenna ${end.antennas[sheet.antenna[e]].words}, feeder ${end.feeders[sheet.feeder[e]].words}`);
  const content = {
    link: data.link,
    plan_digest: data.digest,
    linkcalc_version: data.version,
    heights: { near_height_m: near, far_height_m: far },
    fitted: [...built, `signal ${data.signals[sheet.signal].name}`],
    // other parts than planned go with the note, which the survey shows beside its reading
    readings: sheet.readings.map(({ fitted: chosen, ...reading }) => ({
      ...reading,
      note: [otherParts(chosen), reading.note].filter(Boolean).join("; "),
    })),
  };
  return `${JSON.stringify(content, null, 1)}\n`;
}

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
  if (sent === 0) return wrong("sent", "No packet sent is no reading.");
  if (sent !== null && received > sent) return wrong("received", "More received than sent: are they swapped?");
  if (rssi === null && snr === null && received === null) return wrong("rssi", "Enter the RSSI and SNR, or the packets sent and received.");
  if (received === 0 && (rssi !== null || snr !== null)) return wrong("rssi", "Nothing was received, so this level is none of a packet: leave RSSI and SNR empty.");
  const now = new Date();
  const local = new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 19);
  return {
    time: local,
    direction: document.querySelector('input[name="direction"]:checked').value,
    rssi_dbm: rssi,
    snr_db: snr,
    sent,
    received,
    near_height_m: sheet.height[0],
    far_height_m: sheet.height[1],
    engine_running: $("engine").checked,
    note: $("note").value.trim().slice(0, 200),
    fitted: { antenna: [...sheet.antenna], feeder: [...sheet.feeder], signal: sheet.signal },
  };
}

// ---------------------------------------------------------------- what is kept

let keeps = false;

function keep() {
  try {
    keeps = false;
    localStorage.setItem(KEY, JSON.stringify(sheet));
    keeps = true;
    put("kept-line", "Kept in this browser; it is here again when the page is opened again. Save the readings all the same before you leave.");
  } catch (error) {
    put("kept-line", "This browser keeps nothing: save the readings before closing the page.");
  }
}

// The same sheet open twice: neither may write over the other's readings.
function catchUp() {
  if (!keeps) return;
  const kept = localStorage.getItem(KEY);
  if (kept !== null && kept !== JSON.stringify(sheet)) reopen();
}

const soundReading = (r) =>
  r && typeof r.time === "string" && typeof r.note === "string" && ["there", "back"].includes(r.direction) &&
  r.near_height_m > 0 && r.far_height_m > 0 &&
  ["rssi_dbm", "snr_db", "sent", "received"].every((key) => r[key] === null || Number.isFinite(r[key]));

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
  try {
    const kept = JSON.parse(localStorage.getItem(KEY));
    const start = initial();
    if (kept === null || typeof kept !== "object") return start;
    GRID.forEach((values, e) => {
      if (kept.height?.[e] >= values[0] && kept.height[e] <= values[values.length - 1]) start.height[e] = kept.height[e];
    });
    Object.assign(start, soundParts(kept));
    if (kept.units === "ft") start.units = "ft";
    if (Array.isArray(kept.readings)) start.readings = kept.readings.filter(soundReading).map((r) => ({ ...r, fitted: soundParts(r.fitted) }));
    return start;
  } catch (error) {
    return initial();
  }
}

// ---------------------------------------------------------------- entries

function fill() {
  SIDES.forEach((side, e) => {
    $(`${side}-antenna`).value = sheet.antenna[e];
    $(`${side}-feeder`).value = sheet.feeder[e];
  });
  $("signal").value = sheet.signal;
  document.querySelector(`input[name="units"][value="${sheet.units}"]`).checked = true;
}

function complain(side, text) {
  $(`${side}-said`).setAttribute("role", "alert");
  put(`${side}-said`, text);
}

function reopen() {
  sheet = recalled();
  fill();
  listReadings();
  show();
}

function enter() {
  SIDES.forEach((side, e) => {
    const box = $(`${side}-height`);
    const typed = (event) => {
      const value = numberIn(box.value);
      const metres = feet() ? value * FEET : value;
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
  document.querySelectorAll("button[data-step]").forEach((button) =>
    button.addEventListener("click", () => {
      const e = SIDES.indexOf(button.dataset.for);
      const now = sheet.height[e];
      const next = Number(button.dataset.step) > 0 ? GRID[e].find((m) => m > now + 1e-6) : GRID[e].filter((m) => m < now - 1e-6).pop();
      sheet.height[e] = next ?? now;
      show();
    }),
  );
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
    listReadings();
    show();
    $("rssi").focus();
  });
  $("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([readingsFile()], { type: "application/json" }));
    link.download = "readings.json";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
  $("print").addEventListener("click", () => window.print());
  $("clear").addEventListener("click", () => {
    if (!window.confirm("Clear everything entered on this sheet, readings included?")) return;
    sheet = initial();
    fill();
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
