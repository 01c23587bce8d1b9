// From an appraisal and an asked price to one of four words.

function ceilingPrice(appraisal) {
  const { margin, caution } = BENCH.terms;
  const middle = cents(appraisal.meanGain) - margin;
  if (caution <= 0) return cents(middle);
  return cents(Math.min(middle, drawQuantile(appraisal.gainFree, 1 - caution) - margin));
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
