// Rounding, means and quantiles, digit for digit as the command line does them.

const cents = (amount) => Math.floor(amount * 100 + 0.5) / 100;

// To so many decimals as text; exact halves go to the even digit.
function fixed(value, digits) {
  const scaled = value * 2 ** (digits + 1);
  if (!Number.isInteger(scaled) || scaled % 2 === 0) return value.toFixed(digits);
  const down = Math.floor(value * 10 ** digits);
  return ((down % 2 === 0 ? down : down + 1) / 10 ** digits).toFixed(digits);
}

const rounded = (value, digits) => Number(fixed(value, digits));

const expit = (x) => 1 / (1 + Math.exp(-x));

function logOdds(share) {
  const kept = Math.min(Math.max(share, 1e-6), 1 - 1e-6);
  return Math.log(kept / (1 - kept));
}

function mean(values) {
  let sum = 0;
  for (const value of values) sum += value;
  return sum / values.length;
}

// Mean of ages. A comparison may hang on its last bit, so the terms are added in the order in which the
// command line's arithmetic does it: eight partial sums.
function meanAge(ages) {
  const n = ages.length;
  if (n < 8) return mean(ages);
  const part = ages.slice(0, 8);
  const whole = n - (n % 8);
  for (let i = 8; i < whole; i += 8) for (let j = 0; j < 8; j++) part[j] += ages[i + j];
  let sum = part[0] + part[1] + (part[2] + part[3]) + (part[4] + part[5] + (part[6] + part[7]));
  for (let i = whole; i < n; i++) sum += ages[i];
  return sum / n;
}

function drawQuantile(draws, share) {
  const ordered = Float64Array.from(draws).sort();
  const at = share * (ordered.length - 1);
  const low = Math.floor(at);
  const high = Math.min(low + 1, ordered.length - 1);
  return ordered[low] + (at - low) * (ordered[high] - ordered[low]);
}

// Smallest values with at least so much of the weight at or below them.
function weightedQuantiles(values, weights, shares) {
  const order = Uint32Array.from(values.keys()).sort((a, b) => values[a] - values[b] || a - b);
  let total = 0;
  const sums = Float64Array.from(order, (i) => (total += weights[i]));
  return shares.map((share) => {
    const wanted = share * total - 1e-12;
    let at = sums.findIndex((sum) => sum >= wanted);
    if (at < 0) at = values.length - 1;
    return values[order[at]];
  });
}
