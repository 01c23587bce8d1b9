// States of the components of one unit, and the chance that none of them ends the job.

function centredSigns(signs) {
  return signs.map((seen, i) => (Number.isNaN(seen) ? 0 : seen - SHARED.sign_mean[i]));
}

// Shift of each component's log odds by the signs, and the doubt that all components share.
function signShifts(parts, signs) {
  const x = centredSigns(signs);
  let variance = 0;
  SHARED.sign_covariance.forEach((row, i) => row.forEach((value, j) => (variance += x[i] * value * x[j])));
  const shifts = parts.map(({ component }) => {
    let sum = 0;
    SHARED.sign_effect[component].forEach((effect, i) => (sum += effect * x[i]));
    return sum;
  });
  return { shifts, doubt: Math.sqrt(Math.max(variance, 0)) };
}

// Log of age over what the component's life is measured in, by component and year the unit may have.
function logRatios(parts, ages, years) {
  return parts.map(({ component }) =>
    Float64Array.from(ages, (age, a) => {
      const decades = (years[a] - SHARED.reference_year[component]) / 10;
      return Math.log(age) - SHARED.year_slope[component] * decades;
    }),
  );
}

function failureLogOdds(life, z0, z1, logRatio, stretch) {
  const shape = Math.exp(life[1] + life[3] * z0 + life[4] * z1);
  const exponent = shape * (logRatio - (life[0] + life[2] * z0));
  const hazard = Math.min(Math.max(Math.exp(Math.min(exponent, 30)), RULES.tiny), 30);
  return (hazard + Math.log(-Math.expm1(-hazard))) * stretch;
}

// Success under every state of knowledge; with `details` also what was mended and what ends jobs.
function unitStates(entry, ages, years, weights, signs, details) {
  const { parts } = entry;
  const { draws, stride, nDraws } = SHARED;
  const n = parts.length;
  const { shifts, doubt } = signShifts(parts, signs);
  const ratios = logRatios(parts, ages, years);
  const stretch = Math.sqrt(1 + RULES.logit_slope * SHARED.storage_sd ** 2);
  const dampers = RULES.nodes.map((node) => Math.exp(-SHARED.storage_sd * node));
  const collateral = parts.map(({ component }) => SHARED.collateral[component]);
  const success = new Float64Array(nDraws);
  const mended = Array.from({ length: nDraws }, () => new Float64Array(n));
  const ends = new Float64Array(n);
  const stuck = new Float64Array(n); // chance that a failed one cannot be mended
  const against = new Float64Array(n); // odds against having failed, before storage
  const failed = new Float64Array(n);
  const goesOn = new Float64Array(n);
  const hazards = new Float64Array(n);
  for (let d = 0; d < nDraws; d++) {
    const z = draws.subarray(d * stride, (d + 1) * stride);
    for (let c = 0; c < n; c++) {
      const [odds, sd] = parts[c].repair;
      stuck[c] = 1 - expit(odds + sd * z[RULES.common + 3 * c + 2]);
    }
    for (let a = 0; a < ages.length; a++) {
      for (let c = 0; c < n; c++) {
        const part = parts[c];
        const at = RULES.common + 3 * c;
        const life = years[a] >= part.changeYear ? part.lifeAfter : part.life;
        const logOddsFailed = failureLogOdds(life, z[at], z[at + 1], ratios[c][a], stretch);
        const shift = shifts[c] + doubt * z[5];
        against[c] = Math.exp(-(logOddsFailed + SHARED.state_shift[part.component] + shift));
      }
      for (let k = 0; k < dampers.length; k++) {
        let chain = 1;
        for (let c = 0; c < n; c++) {
          const arrived = 1 / (1 + against[c] * dampers[k]);
          failed[c] = arrived + (1 - arrived) * collateral[c];
          goesOn[c] = 1 - failed[c] * stuck[c];
          chain *= goesOn[c];
        }
        const weight = weights[a] * RULES.node_weights[k];
        success[d] += chain * weight;
        if (details) addDetails(failed, stuck, goesOn, hazards, chain * weight, weight, mended[d], ends);
      }
    }
    if (details) for (let c = 0; c < n; c++) mended[d][c] /= success[d];
  }
  return { success, mended, ends };
}

function addDetails(failed, stuck, goesOn, hazards, joint, weight, mended, ends) {
  let all = 0;
  for (let c = 0; c < goesOn.length; c++) all += hazards[c] = -Math.log(goesOn[c]);
  const lost = (weight - joint) / Math.max(all, RULES.tiny);
  for (let c = 0; c < goesOn.length; c++) {
    mended[c] += (joint * failed[c] * (1 - stuck[c])) / goesOn[c];
    ends[c] += lost * hazards[c];
  }
}
