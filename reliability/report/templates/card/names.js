// Names that are near to each other, by the matching that the command line uses too.

const fold = (name) => Array.from(name, (letter) => BENCH.folds[letter] ?? letter.toLowerCase()).join("");

// Ratcliff and Obershelp: twice the letters in common blocks, longest block first, over all letters.
function likeness(a, b) {
  const places = new Map();
  b.forEach((letter, j) => places.set(letter, [...(places.get(letter) ?? []), j]));
  if (b.length >= 200) {
    // In long names a letter that stands everywhere begins no block.
    const most = Math.floor(b.length / 100) + 1;
    for (const [letter, at] of places) if (at.length > most) places.delete(letter);
  }
  const waiting = [[0, a.length, 0, b.length]];
  let common = 0;
  while (waiting.length) {
    const [aLow, aHigh, bLow, bHigh] = waiting.pop();
    const [i, j, size] = longestBlock(a, b, places, aLow, aHigh, bLow, bHigh);
    if (!size) continue;
    common += size;
    if (aLow < i && bLow < j) waiting.push([aLow, i, bLow, j]);
    if (i + size < aHigh && j + size < bHigh) waiting.push([i + size, aHigh, j + size, bHigh]);
  }
  return a.length + b.length ? (2 * common) / (a.length + b.length) : 1;
}

function longestBlock(a, b, places, aLow, aHigh, bLow, bHigh) {
  let [bestI, bestJ, bestSize] = [aLow, bLow, 0];
  let lengths = new Map();
  for (let i = aLow; i < aHigh; i++) {
    const next = new Map();
    for (const j of places.get(a[i]) ?? []) {
      if (j < bLow) continue;
      if (j >= bHigh) break;
      const size = (lengths.get(j - 1) ?? 0) + 1;
      next.set(j, size);
      if (size > bestSize) [bestI, bestJ, bestSize] = [i - size + 1, j - size + 1, size];
    }
    lengths = next;
  }
  while (bestI > aLow && bestJ > bLow && a[bestI - 1] === b[bestJ - 1]) {
    [bestI, bestJ, bestSize] = [bestI - 1, bestJ - 1, bestSize + 1];
  }
  while (bestI + bestSize < aHigh && bestJ + bestSize < bHigh && a[bestI + bestSize] === b[bestJ + bestSize]) {
    bestSize++;
  }
  return [bestI, bestJ, bestSize];
}

function isBehind(one, other) {
  const [a, b] = [Array.from(one), Array.from(other)];
  const at = a.findIndex((letter, i) => letter !== b[i]);
  if (at < 0) return false;
  return b[at] === undefined || a[at].codePointAt(0) > b[at].codePointAt(0);
}

// The known name that is nearest to one, or null.
function nearestName(got, known) {
  const wanted = Array.from(fold(got));
  let [best, bestRatio] = [null, 0];
  const byFolded = new Map(known.map((name) => [fold(name), name]));
  for (const folded of byFolded.keys()) {
    const ratio = likeness(Array.from(folded), wanted);
    if (ratio < 0.6 || ratio < bestRatio) continue;
    if (ratio > bestRatio || isBehind(folded, best)) [best, bestRatio] = [folded, ratio];
  }
  return best === null ? null : byFolded.get(best);
}
