// The verdict on one offer, column by column as the command line writes it.

// Highest price to pay for what brings so much at a price of 0 under each state of knowledge.
function ceilingOf(gainFree) {
  const { margin, caution } = BENCH.terms;
  const middle = cents(mean(gainFree)) - margin;
  if (caution <= 0) return cents(middle);
  return cents(Math.min(middle, drawQuantile(gainFree, 1 - caution) - margin));
}

const worthOfKnowing = (one, other) => Math.max(0, Math.min(one, -other), Math.min(other, -one));

function lessonWorth(appraisal, asked, offersExpected) {
  let repaired = 0;
  let unrepaired = 0;
  appraisal.gainFree.forEach((gain, d) => {
    const over = gain - asked - BENCH.terms.margin;
    repaired += appraisal.success[d] * over;
    unrepaired += (1 - appraisal.success[d]) * over;
  });
  const n = appraisal.gainFree.length;
  return offersExpected * worthOfKnowing(repaired / n, unrepaired / n);
}

function decide(entry, appraisal, asked, ceiling) {
  const isFounded = entry.kindJobs > 0;
  if (asked <= ceiling && isFounded) return "take";
  const near = ceiling > 0 && asked > ceiling && asked <= ceiling * (1 + BENCH.terms.haggle_room);
  if (near && isFounded) return "haggle";
  if (entry.jobsSeen >= RULES.few_jobs || entry.openJobs > 0) return "skip";
  const short = Math.max(0, BENCH.terms.margin - (cents(appraisal.meanGain) - asked));
  return asked <= ceiling || lessonWorth(appraisal, asked, entry.offersExpected) > short ? "try one" : "skip";
}

const blank = { verdict: null, expected_gain: NaN, gain_low: NaN, gain_high: NaN, chance_of_loss: NaN };

function verdictRow(entry, appraisal, asked) {
  const ceiling = ceilingOf(appraisal.gainFree);
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
  const appraisal = appraisalOf(entry, unit);
  const row = verdictRow(entry, appraisal, offer.asked);
  if (row.rival_risk) more.push(`${row.chief_risk} and ${row.rival_risk} end as many jobs`);
  more.push(...standingNotes(entry));
  if (entry.priceDoubt > 0 && Number.isNaN(unit.workingPrice)) {
    more.push(`no working price given, ${fixed(entry.workingPrice, 0)} ${BENCH.currency} assumed`);
  }
  const { asked, lot, lotAsked } = offer;
  const note = [...notes, ...more].join("; ");
  return { offer: offer.offer, ...row, note, entry, unit, appraisal, asked, lot, lotAsked };
}

// What becomes of an offer if a sign is there, or is not: the verdict both times, on the others of its lot with it.
function answersTo(sign, row, others = null) {
  return [1, 0].map((answer) => {
    const signs = row.unit.signs.map((seen, i) => (SHARED.signs[i] === sign ? answer : seen));
    const unit = { ...row.unit, signs };
    const appraisal = appraisalOf(row.entry, unit);
    if (others) return decideLot(unitsOf([...others, { ...row, unit, appraisal }], row.lotAsked), row.lotAsked);
    const ceiling = ceilingOf(appraisal.gainFree);
    const verdict = Number.isNaN(row.asked) ? null : decide(row.entry, appraisal, row.asked, ceiling);
    return { verdict, ceiling, asked: row.asked };
  });
}
