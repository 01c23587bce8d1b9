// The verdict on one offer, column by column as the command line writes it.

const blank = { verdict: null, expected_gain: NaN, gain_low: NaN, gain_high: NaN, chance_of_loss: NaN };

function verdictRow(entry, appraisal, asked) {
  const ceiling = ceilingPrice(appraisal);
  let chief = 0;
  appraisal.ends.forEach((chance, c) => (chief = chance > appraisal.ends[chief] ? c : chief));
  const row = {
    ...blank,
    ceiling,
    success_chance: rounded(mean(appraisal.success), 4),
    success_low: rounded(drawQuantile(appraisal.success, 0.05), 4),
    success_high: rounded(drawQuantile(appraisal.success, 0.95), 4),
    hours: rounded(appraisal.hours, 2),
    chief_risk: SHARED.components[entry.parts[chief].component],
    jobs_seen: entry.jobsSeen,
    evidence: entry.evidence,
  };
  if (Number.isNaN(asked)) return row;
  const [low, high] = weightedQuantiles(appraisal.single, appraisal.weight, [0.1, 0.9]);
  row.verdict = decide(entry, appraisal, asked, ceiling);
  row.expected_gain = cents(cents(appraisal.meanGain) - asked);
  row.gain_low = cents(low - asked);
  row.gain_high = cents(high - asked);
  let losing = 0;
  appraisal.single.forEach((gain, i) => (losing += gain - asked < 0 ? appraisal.weight[i] : 0));
  row.chance_of_loss = rounded(losing, 4);
  return row;
}

// Judge one offer given by the cells of an offers file; throws a Refusal with the field that is wrong.
function judgeOffer(cells, day = BENCH.day) {
  const { offer, faults } = readOffer(cells);
  if (faults.length) throw faults[0];
  const { entry, notes } = findEntry(offer);
  const { unit, notes: more } = readUnit(offer, entry, day);
  const row = verdictRow(entry, appraise(entry, unit), offer.asked);
  if (entry.priceDoubt > 0 && Number.isNaN(unit.workingPrice)) {
    more.push(`no working price given, ${fixed(entry.workingPrice, 0)} ${BENCH.currency} assumed`);
  }
  return { offer: offer.offer, ...row, note: [...notes, ...more].join("; "), entry, unit, asked: offer.asked };
}

// The sign that nobody looked for yet and that tells most, sign by sign so that a slow phone stays awake.
function* lookFirst({ entry, unit, asked }) {
  let best = null;
  for (const [i, name] of SHARED.signs.entries()) {
    if (!Number.isNaN(unit.signs[i]) || !SIGNS.includes(name)) continue;
    const share = SHARED.sign_mean[i];
    const [seen, absent] = [1, 0].map((value) => {
      const signs = unit.signs.map((old, j) => (j === i ? value : old));
      const appraisal = appraise(entry, { ...unit, signs });
      const ceiling = ceilingPrice(appraisal);
      const verdict = Number.isNaN(asked) ? null : decide(entry, appraisal, asked, ceiling);
      return { gain: appraisal.meanGain, ceiling, verdict };
    });
    const least = asked + BENCH.terms.margin;
    const known = worthOfKnowing(share * (seen.gain - least), (1 - share) * (absent.gain - least));
    const worth = Number.isNaN(asked) ? 0 : cents(known);
    const moves = cents(Math.sqrt(share * (1 - share)) * Math.abs(seen.gain - absent.gain));
    if (best === null || worth > best.worth || (worth === best.worth && moves > best.moves)) {
      best = { sign: name, worth, moves, seen, absent };
    }
    yield null;
  }
  return best;
}
