// States of the components of one unit, and the chance that none of them ends the job.

function centredSigns(signs) {
  return signs.map((seen, i) => (Number.isNaN(seen) ? 0 : seen - SHARED.sign_mean[i]));
}

const logOne = (logOdds) => (logOdds > 0 ? logOdds + Math.log1p(Math.exp(-logOdds)) : Math.log1p(Math.exp(logOdds)));

// What was seen as a sum: sets of signs that stay away, each with a factor of 1 or -1.
function signTerms(signs) {
  let seen = signs.flatMap((value, i) => (value === 1 ? [i] : []));
  if (seen.length > RULES.most_seen) {
    const strength = (i) => SHARED.sign_shows.reduce((sum, row) => sum + expit(row[i]), 0);
    const ranked = seen.map((i) => [i, strength(i)]).sort((one, other) => other[1] - one[1]);
    seen = ranked.slice(0, RULES.most_seen).map(([i]) => i).sort((one, other) => one - other);
  }
  const unseen = signs.flatMap((value, i) => (value === 0 ? [i] : []));
  return Array.from({ length: 1 << seen.length }, (_, bits) => {
    const absent = seen.filter((_, k) => (bits >> k) & 1);
    return { absent: [...unseen, ...absent], factor: absent.length % 2 ? -1 : 1 };
  });
}

// Chance that storage and chance show none of the signs that stay away, by how the unit was stored.
function notAlone(terms) {
  return RULES.nodes.map((node) =>
    terms.map(({ absent }) =>
      Math.exp(-absent.reduce((sum, i) => sum + logOne(SHARED.sign_alone[i] + node * SHARED.sign_stored[i]), 0)),
    ),
  );
}

// Chance that a failed component shows none of them.
function unshown(parts, terms) {
  return parts.map(({ component }) => {
    const shows = SHARED.sign_shows[component];
    return terms.map(({ absent }) => Math.exp(-absent.reduce((sum, i) => sum + logOne(shows[i]), 0)));
  });
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
  const terms = signTerms(signs);
  const alone = notAlone(terms);
  const hides = unshown(parts, terms);
  const ratios = logRatios(parts, ages, years);
  const stretch = Math.sqrt(1 + RULES.logit_slope * SHARED.storage_sd ** 2);
  const dampers = RULES.nodes.map((node) => Math.exp(-SHARED.storage_sd * node));
  const collateral = parts.map(({ component }) => SHARED.collateral[component]);
  const success = new Float64Array(nDraws);
  const mended = Array.from({ length: nDraws }, () => new Float64Array(n));
  const ends = new Float64Array(n);
  const endsHere = new Float64Array(n);
  const stuck = new Float64Array(n); // chance that a failed one cannot be mended
  const against = new Float64Array(n); // odds against having failed, before storage
  const failed = new Float64Array(n);
  const goesOn = new Float64Array(n);
  const hazards = new Float64Array(n);
  for (let d = 0; d < nDraws; d++) {
    const z = draws.subarray(d * stride, (d + 1) * stride);
    let all = 0; // chance of the signs
    endsHere.fill(0);
    for (let c = 0; c < n; c++) {
      const [odds, sd] = parts[c].repair;
      stuck[c] = 1 - expit(odds + sd * z[RULES.common + 3 * c + 2]);
    }
    for (let a = 0; a < ages.length; a++) {
      for (let c = 0; c < n; c++) {
        const part = parts[c];
        const at = RULES.common + 3 * c;
        const life = years[a] >= part.changeYear ? part.lifeAfter : part.life;
        against[c] = Math.exp(-failureLogOdds(life, z[at], z[at + 1], ratios[c][a], stretch));
      }
      for (let k = 0; k < dampers.length; k++) {
        for (let t = 0; t < terms.length; t++) {
          let weight = weights[a] * RULES.node_weights[k] * terms[t].factor * alone[k][t];
          let chain = 1;
          for (let c = 0; c < n; c++) {
            const before = 1 / (1 + against[c] * dampers[k]);
            const hidden = before * hides[c][t];
            const possible = 1 - before + hidden;
            const arrived = hidden / possible;
            weight *= possible;
            failed[c] = arrived + (1 - arrived) * collateral[c];
            goesOn[c] = 1 - failed[c] * stuck[c];
            chain *= goesOn[c];
          }
          all += weight;
          success[d] += chain * weight;
          if (details) addDetails(failed, stuck, goesOn, hazards, chain * weight, weight, mended[d], endsHere);
        }
      }
    }
    if (details) {
      for (let c = 0; c < n; c++) {
        mended[d][c] /= success[d];
        ends[c] += endsHere[c] / (all * nDraws);
      }
    }
    success[d] /= all;
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
