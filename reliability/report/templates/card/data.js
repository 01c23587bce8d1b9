// The card's numbers, unpacked once; entries of families when they are first asked for.

const BENCH = JSON.parse(document.getElementById("numbers").textContent);
const RULES = BENCH.rules;

const bytesOf = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)).buffer;

function numbersOf(text, size) {
  const view = new DataView(bytesOf(text));
  const read = size === 8 ? (i) => view.getFloat64(i * 8, true) : (i) => view.getFloat32(i * 4, true);
  return Float64Array.from({ length: view.byteLength / size }, (_, i) => read(i));
}

const SHARED = (() => {
  const { points, rows, places } = BENCH.shared.draws;
  const draws = Float64Array.from(new Uint8Array(bytesOf(places)), (place) => points[place]);
  return { ...BENCH.shared, draws, nDraws: rows, stride: draws.length / rows };
})();

// What a sign is called may not be what a column of an offer is called: no file could tell them apart.
const SIGNS = SHARED.signs.filter((sign) => !RULES.columns.includes(sign));

// The signs that somebody has looked for on a kind, those first that tell most; of an unknown kind, on any.
const LOOKS = new Map(Object.entries(BENCH.looks));
const signsOf = (kind) => (LOOKS.get(kind) ?? LOOKS.get("")).filter((sign) => SIGNS.includes(sign));

function entryOf([family, kind, evidence, jobsSeen, openJobs, components, changes, doubles, singles]) {
  const d = numbersOf(doubles, 8);
  const s = numbersOf(singles, 4);
  const n = components.length;
  const spread = (i) => ({ mean: s[5 + 3 * i], doubt: s[6 + 3 * i], spread: s[7 + 3 * i] });
  const lives = s.subarray(17);
  const parts = components.map((component, i) => ({
    component,
    life: lives.subarray(8 * i, 8 * i + 5),
    repair: lives.subarray(8 * i + 5, 8 * i + 7),
    cost: lives[8 * i + 7],
    changeYear: NaN,
    lifeAfter: null,
  }));
  changes.forEach(([i, year], k) => {
    parts[i].changeYear = year;
    parts[i].lifeAfter = lives.subarray(8 * n + 5 * k, 8 * n + 5 * k + 5);
  });
  return {
    family, kind, evidence, jobsSeen, openJobs, parts,
    workingPrice: d[0], priceDoubt: d[1], offersExpected: d[2], referenceAge: d[3], referenceYear: d[4],
    firstYear: d[5], lastYear: d[6], oldestSeen: d[7], kindJobs: d[8], otherUnrepaired: d[9],
    shift: s[0], shiftSe: s[1], ownWeight: s[2], hoursRepaired: s[3], hoursUnrepaired: s[4],
    ratio: spread(0), remains: spread(1), costsRepaired: spread(2), costsUnrepaired: spread(3),
  };
}

function lazily(packed) {
  const rows = new Map(packed.map((row) => [row[0], row]));
  const made = new Map();
  return {
    names: [...rows.keys()],
    has: (name) => rows.has(name),
    kindOf: (name) => rows.get(name)[1],
    get(name) {
      if (!made.has(name)) made.set(name, entryOf(rows.get(name)));
      return made.get(name);
    },
  };
}

const FAMILIES = lazily(BENCH.families);
const KINDS = lazily(BENCH.kinds);
const MODELS = new Map(BENCH.models.map(([model, i]) => [model, FAMILIES.names[i]]));
