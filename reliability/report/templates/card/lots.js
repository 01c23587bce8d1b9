// Units that are offered together for one price: each is tried, broken for parts, or passed on.

const [TRY, BREAK, PASS_ON] = RULES.ways;
const ways = new WeakMap(); // by appraisal

// The best that can be done with a unit, what it adds to the highest price, and its gains if it cost nothing.
function wayOf({ entry, appraisal }) {
  if (ways.has(appraisal)) return ways.get(appraisal);
  const { draws, stride, nDraws } = SHARED;
  const { cases } = RULES;
  const { remains } = entry;
  const parts = Float64Array.from(
    { length: nDraws },
    (_, d) => remains.mean + remains.doubt * draws[d * stride + 2] - entry.otherUnrepaired,
  );
  const [tried, broken] = [ceilingOf(appraisal.gainFree), ceilingOf(parts)];
  const name = `${entry.kind}\n${entry.family}`;
  let best = { way: PASS_ON, worth: 0, gainFree: 0, name };
  if (tried >= broken && tried > 0) {
    const { single, weight } = appraisal;
    best = { way: TRY, worth: tried, gainFree: cents(appraisal.meanGain), name, single, weight };
  } else if (broken > 0) {
    const single = Float64Array.from(
      { length: nDraws * cases.length },
      (_, i) => parts[Math.floor(i / cases.length)] + remains.spread * cases[i % cases.length],
    );
    const weight = new Float64Array(single.length).fill(1 / single.length);
    best = { way: BREAK, worth: broken, gainFree: cents(mean(parts)), name, single, weight };
  }
  ways.set(appraisal, best);
  return best;
}

// Judged rows as units of one lot, each with its share of the price asked.
function unitsOf(rows, asked) {
  const isKnown = ({ entry, unit }) => !Number.isNaN(unit.workingPrice) || entry.priceDoubt <= 0;
  const own = ({ entry, unit }) => (Number.isNaN(unit.workingPrice) ? entry.workingPrice : unit.workingPrice);
  const prices = rows.map(rows.every(isKnown) ? own : () => 1);
  const all = prices.reduce((sum, price) => sum + price, 0);
  return rows.map((row, i) => ({ ...row, best: wayOf(row), share: (asked * prices[i]) / all }));
}

const sumOf = (units, valueOf) => units.reduce((sum, unit) => sum + valueOf(unit), 0);

function decideLot(units, asked) {
  const worth = cents(sumOf(units, ({ best }) => best.worth));
  // Units of kinds without a finished job are no ground to take a lot.
  const ceiling = cents(sumOf(units.filter(({ entry }) => entry.kindJobs > 0), ({ best }) => best.worth));
  const said = (verdict) => ({ verdict, ceiling, worth, asked });
  if (Number.isNaN(asked)) return said(null);
  if (asked <= ceiling) return said("take");
  if (ceiling > 0 && asked <= ceiling * (1 + BENCH.terms.haggle_room)) return said("haggle");
  const lessons = new Map(); // of each family one is enough
  for (const { entry, appraisal, best, share } of units) {
    if (entry.jobsSeen >= RULES.few_jobs || entry.openJobs > 0) continue;
    const lesson = lessonWorth(appraisal, share, entry.offersExpected);
    lessons.set(best.name, Math.max(lesson, lessons.get(best.name) ?? 0));
  }
  if (!lessons.size) return said("skip");
  const used = units.filter(({ best }) => best.way !== PASS_ON);
  const promised = sumOf(used, ({ best }) => best.gainFree - BENCH.terms.margin);
  const teaches = sumOf([...lessons.values()], (lesson) => lesson) > Math.max(0, asked - promised);
  return said(asked <= worth || teaches ? "try one" : "skip");
}

// Add one more amount, given by its cases and their weights, to chances by bins of an amount.
function addCases(chances, low, width, cases, weights) {
  let most = 0;
  for (const each of cases) most = Math.max(most, each - low);
  const sum = new Float64Array(chances.length + Math.floor(most / width) + 1);
  cases.forEach((each, j) => {
    const at = (each - low) / width;
    const below = Math.floor(at);
    const [left, right] = [weights[j] * (1 - (at - below)), weights[j] * (at - below)];
    for (let i = 0; i < chances.length; i++) {
      sum[below + i] += chances[i] * left;
      sum[below + i + 1] += chances[i] * right;
    }
  });
  return sum;
}

// Chances of what all units bring together. What is not known of a family is shared by its units: they are
// added up under each state of knowledge, families only then.
function addUp(units) {
  const { nDraws } = SHARED;
  const lows = units.map(({ single }) => single.reduce((least, each) => Math.min(least, each)));
  const highs = units.map(({ single }) => single.reduce((most, each) => Math.max(most, each)));
  const low = sumOf(lows, (each) => each);
  let bins = RULES.least_bins;
  while (bins < 4 * (units.length + 2)) bins *= 2;
  const width = Math.max(sumOf(highs, (each) => each) - low, 1e-9) / (bins - units.length - 2);
  let whole = Float64Array.of(1);
  for (const name of new Set(units.map((unit) => unit.name))) {
    const family = new Float64Array(bins);
    for (let d = 0; d < nDraws; d++) {
      let sum = Float64Array.of(1 / nDraws);
      units.forEach(({ name: own, single, weight }, i) => {
        if (own !== name) return;
        const n = single.length / nDraws;
        const part = (values) => values.subarray(d * n, (d + 1) * n);
        sum = addCases(sum, lows[i], width, part(single), part(weight).map((each) => each * nDraws));
      });
      sum.forEach((chance, i) => (family[i] += chance));
    }
    const both = new Float64Array(bins);
    whole.forEach((one, i) => {
      if (one > 0) for (let j = 0; j < bins - i; j++) both[i + j] += one * family[j];
    });
    whole = both;
  }
  return { units, low, width, whole };
}

let added = { units: [] }; // a price typed digit by digit is held against the same sum

function lotChanceOfLoss(units, asked) {
  const used = units.map(({ best }) => best).filter(({ way }) => way !== PASS_ON);
  if (!used.length) return asked > 0 ? 1 : 0;
  if (used.length === 1) {
    const [{ single, weight }] = used;
    return single.reduce((losing, gain, i) => losing + (gain < asked ? weight[i] : 0), 0);
  }
  if (used.length !== added.units.length || used.some((unit, i) => unit !== added.units[i])) added = addUp(used);
  const { low, width, whole } = added;
  const until = (asked - low) / width + 0.5;
  const losing = whole.reduce((sum, chance, i) => sum + chance * Math.min(Math.max(until - i, 0), 1), 0);
  return Math.min(Math.max(losing, 0), 1);
}

// Which units to buy one by one, where prices of their own are asked and that is worth more; else null.
function bestSingly(units, over) {
  const chosen = units.filter(({ entry, best, asked }) => best.worth > asked && entry.kindJobs > 0);
  const worth = sumOf(chosen, ({ best, asked }) => best.worth - asked);
  if (!(worth > Math.max(over, 0))) return null;
  const paid = sumOf(chosen, ({ asked }) => asked);
  return { offers: chosen.map(({ offer }) => offer), paid, gain: sumOf(chosen, ({ best }) => best.gainFree) - paid };
}

// The verdict on the rows of one lot as a whole, with its units in the same order.
function judgeLot(rows) {
  const prices = new Set(rows.map(({ lotAsked }) => lotAsked).filter((price) => !Number.isNaN(price)));
  if (prices.size > 1) throw new Refusal("lot_asked", `A lot has one price; found ${[...prices].join(" and ")}.`);
  const [asked = NaN] = prices;
  const units = unitsOf(rows, asked);
  const whole = { ...decideLot(units, asked), units };
  return {
    ...whole,
    expected_gain: cents(sumOf(units, ({ best }) => best.gainFree) - asked),
    chance_of_loss: Number.isNaN(asked) ? NaN : rounded(lotChanceOfLoss(units, asked), 4),
    singly: bestSingly(units, whole.worth - asked),
  };
}

// Judge a whole file of offers, column by column as the command line writes it.
function judgeAll(offers, day) {
  const none = { lot_ceiling: NaN, lot_expected_gain: NaN, lot_chance_of_loss: NaN, worth: NaN };
  const rows = offers.map((cells) => ({ ...judgeOffer(cells, day), ...none }));
  for (const lot of new Set(rows.map((row) => row.lot))) {
    if (lot === null) continue;
    const members = rows.filter((row) => row.lot === lot);
    const { verdict, ceiling, expected_gain, chance_of_loss, units, singly } = judgeLot(members);
    const better = singly && `better bought singly: ${singly.offers.join(", ")} for ${fixed(singly.paid, 2)} ${BENCH.currency}, mean gain ${fixed(singly.gain, 2)}`;
    members.forEach((row, i) => {
      const { entry, best: { worth: alone, way } } = units[i];
      const worth = entry.kindJobs > 0 ? alone : 0; // else it is no ground for the lot's ceiling
      const whole = { lot_ceiling: ceiling, lot_expected_gain: expected_gain, lot_chance_of_loss: chance_of_loss, worth };
      const note = [row.note, `${/^lot/i.test(lot) ? lot : `lot ${lot}`}: ${way}`, better].filter(Boolean).join("; ");
      Object.assign(row, whole, { verdict: verdict ?? row.verdict, note });
    });
  }
  return rows;
}
