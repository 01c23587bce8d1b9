// The verdict on one offer, column by column as the command line writes it.

const blank = { verdict: null, expected_gain: NaN, gain_low: NaN, gain_high: NaN, chance_of_loss: NaN };

function verdictRow(entry, appraisal, asked) {
  const ceiling = ceilingPrice(appraisal);
  const [chief, rival] = chiefRisks(entry, appraisal.ends);
  const row = {
    ...blank,
    ceiling,
    success_chance: rounded(mean(appraisal.success), 4),
    success_low: rounded(drawQuantile(appraisal.success, 0.05), 4),
    success_high: rounded(drawQuantile(appraisal.success, 0.95), 4),
    hours: rounded(appraisal.hours, 2),
    chief_risk: chief,
    rival_risk: rival,
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

// The component likeliest to end the job, and the next one where both do to a whole percent.
function chiefRisks(entry, ends) {
  const named = entry.parts.map(({ component }, c) => [SHARED.components[component], ends[c]]);
  const [first, next] = named
    .filter(([name]) => SHARED.known_components.includes(name))
    .sort(([, one], [, other]) => other - one);
  const whole = ([, chance]) => Math.floor(100 * chance + 0.5);
  const isTied = first && next && whole(first) === whole(next) && whole(first) > 0;
  return [first ? first[0] : null, isTied ? next[0] : null];
}

function standingNotes(entry) {
  const notes = [];
  if (entry.kindJobs === 0) notes.push("no finished job of its kind stands behind this: at most one to try");
  if (BENCH.uncounted) {
    const numbers = BENCH.uncounted === 1 ? "1 job number is" : `${BENCH.uncounted} job numbers are`;
    notes.push(`${numbers} missing and not counted while count_gaps is not set`);
  }
  return notes;
}

// Judge one offer given by the cells of an offers file; throws a Refusal with the field that is wrong.
function judgeOffer(cells, day = BENCH.day) {
  const { offer, faults } = readOffer(cells);
  if (faults.length) throw faults[0];
  const { entry, notes } = findEntry(offer);
  const { unit, notes: more } = readUnit(offer, entry, day);
  const row = verdictRow(entry, appraise(entry, unit), offer.asked);
  if (row.rival_risk) more.push(`${row.chief_risk} and ${row.rival_risk} end as many jobs`);
  more.push(...standingNotes(entry));
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
