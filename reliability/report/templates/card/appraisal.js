// Odds and gain of one unit if it cost nothing.

// Decades from the middle age and their square, held within what was seen.
function ageTerms(age) {
  const [low, high, middle] = SHARED.age_range;
  const decades = middle === null ? 0 : (Math.min(Math.max(age, low), high) - middle) / 10;
  return [decades, decades ** 2];
}

function successDraws(entry, unit, raw) {
  const { draws, stride, chain_weight: weight, chain_centre: centre } = SHARED;
  const chain = raw.map((share) => logOdds(share) - centre);
  const known = SHARED.kinds.indexOf(entry.kind);
  const kind = known < 0 ? SHARED.kinds.length : known;
  let shift = entry.shift;
  let variance = entry.shiftSe ** 2;
  centredSigns(unit.signs).forEach((x, i) => {
    shift += SHARED.outcome_signs[kind][i] * x;
    variance += (SHARED.outcome_signs_se[kind][i] * x) ** 2;
  });
  const usualTerms = ageTerms(entry.referenceAge);
  ageTerms(unit.ages.reduce((sum, age, a) => sum + unit.weights[a] * age, 0)).forEach((term, i) => {
    shift += SHARED.age_effect[i] * term;
    variance += ((term - usualTerms[i]) * SHARED.age_se[i]) ** 2;
  });
  if (entry.ownWeight > 0) {
    const nobodyLooked = SHARED.signs.map(() => NaN);
    const usual = unitStates(entry, [entry.referenceAge], [entry.referenceYear], [1], nobodyLooked, false);
    const there = usual.success.map(logOdds);
    const middle = mean(there);
    for (let d = 0; d < there.length; d++) chain[d] -= entry.ownWeight * (there[d] - middle);
  }
  const se = Math.sqrt(variance);
  return chain.map((odds, d) => expit(centre + weight * odds + shift + se * draws[d * stride]));
}

function priceDraws(entry, unit) {
  const { draws, stride, nDraws } = SHARED;
  const ownPrice = !Number.isNaN(unit.workingPrice);
  const unstated = ownPrice ? 0 : entry.priceDoubt;
  const doubt = Math.sqrt(entry.ratio.doubt ** 2 + unstated ** 2);
  let bySigns = 0;
  centredSigns(unit.signs).forEach((x, i) => (bySigns += SHARED.price_signs[i] * x));
  const base = entry.ratio.mean - 0.5 * unstated ** 2;
  const logRatio = Float64Array.from({ length: nDraws }, (_, d) => base + doubt * draws[d * stride + 1] + bySigns);
  return { price: ownPrice ? unit.workingPrice : entry.workingPrice, logRatio };
}

// What mending adds under one state of knowledge: hours, money, and the spread of that money.
function mendingOf(parts, mended) {
  let hours = 0;
  let costs = BENCH.terms.comeback_cost;
  let variance = 0;
  parts.forEach(({ component, cost }, c) => {
    const each = cost + BENCH.terms.hour_rate * SHARED.repair_hours[component];
    hours += mended[c] * SHARED.repair_hours[component];
    costs += mended[c] * each;
    variance += Math.max(mended[c] * (1 - mended[c]), 0) * each ** 2;
  });
  return { hours, costs, spread: Math.sqrt(variance) };
}

function appraise(entry, unit) {
  const states = unitStates(entry, unit.ages, unit.years, unit.weights, unit.signs, true);
  const success = successDraws(entry, unit, states.success);
  const { price, logRatio } = priceDraws(entry, unit);
  const { draws, stride, nDraws } = SHARED;
  const cases = RULES.cases;
  const net = 1 - BENCH.terms.selling_fee;
  const { ratio, remains, costsRepaired, costsUnrepaired } = entry;
  const gainFree = new Float64Array(nDraws);
  const single = new Float64Array(nDraws * 2 * cases.length);
  const weight = new Float64Array(single.length);
  const hours = new Float64Array(nDraws);
  let at = 0;
  for (let d = 0; d < nDraws; d++) {
    const z = draws.subarray(d * stride, (d + 1) * stride);
    const won = success[d];
    const lost = 1 - won;
    const mending = mendingOf(entry.parts, states.mended[d]);
    const repairedCosts = costsRepaired.mean + costsRepaired.doubt * z[3] + mending.costs;
    const left = remains.mean + remains.doubt * z[2];
    const unrepaired = left - (costsUnrepaired.mean + costsUnrepaired.doubt * z[4]);
    const repaired = net * price * Math.exp(logRatio[d] + 0.5 * ratio.spread ** 2) - repairedCosts;
    gainFree[d] = won * repaired + lost * unrepaired;
    hours[d] = won * (entry.hoursRepaired + mending.hours) + lost * entry.hoursUnrepaired;
    const spread = Math.sqrt(costsRepaired.spread ** 2 + mending.spread ** 2);
    const other = (i) => cases[(i + d) % cases.length]; // every case of one spread meets all of the other
    for (let i = 0; i < cases.length; i++, at++) {
      single[at] = net * (price * Math.exp(logRatio[d] + ratio.spread * cases[i])) - repairedCosts - spread * other(i);
      weight[at] = won / (cases.length * nDraws);
    }
    for (let i = 0; i < cases.length; i++, at++) {
      single[at] = unrepaired + remains.spread * cases[i] - costsUnrepaired.spread * other(i);
      weight[at] = lost / (cases.length * nDraws);
    }
  }
  return { success, gainFree, meanGain: mean(gainFree), single, weight, hours: mean(hours), ends: states.ends };
}

// Units that were appraised last: typing a price, or one more unit of a lot, need not appraise them again.
const MOST_REMEMBERED = 60;
const remembered = new Map();

function appraisalOf(entry, unit) {
  const key = JSON.stringify([entry.kind, entry.family, unit]);
  const appraisal = remembered.get(key) ?? appraise(entry, unit);
  remembered.delete(key);
  remembered.set(key, appraisal);
  if (remembered.size > MOST_REMEMBERED) remembered.delete(remembered.keys().next().value);
  return appraisal;
}
