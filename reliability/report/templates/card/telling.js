// Verdicts in words, and the elements that show them. Text becomes text nodes only, never markup.

const HARD = "\u00a0";

function make(tag, attributes = {}, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

const nameOf = (text) => make("bdi", {}, text);

// A copy of the mark that the page holds ready.
const markOf = (verdict) => document.querySelector(`#marks .${toneOf(verdict)} svg`).cloneNode(true);

const toneOf = (verdict) => (verdict === null ? "none" : verdict.replace(" ", "-"));

// Whole units with a real minus sign.
function whole(amount) {
  const digits = String(Math.floor(Math.abs(amount) + 0.5));
  return `${amount < 0 && digits !== "0" ? "\u2212" : ""}${digits.replace(/\B(?=(\d{3})+$)/g, "\u202f")}`;
}

const wholeHere = (amount) => `${whole(amount)}${HARD}${BENCH.currency}`;

function percent(share) {
  if (share < 0.005) return `under 1${HARD}%`;
  if (share >= 0.995) return `over 99${HARD}%`;
  return `${Math.round(share * 100)}${HARD}%`;
}

// How far to go, never rounded up; where there is nothing to pay, in words.
function ceilingWords(ceiling) {
  if (ceiling < 0) return BENCH.words.below_zero;
  return ceiling < 1 ? BENCH.words.below_one : whole(Math.floor(ceiling));
}

// What stands behind the verdict's word: "skip above 12 EUR". Of a lot one haggles down to what jobs stand behind.
function reachOf({ verdict, ceiling, asked }) {
  if (verdict === "try one") return "to learn from it";
  if (verdict === "skip" && asked <= ceiling) return "while one is open";
  if (verdict === "skip" && ceiling >= 0 && ceiling < 1) return "unless it is free";
  if (ceiling < 1) return ceilingWords(ceiling);
  const reach = { take: "up to", haggle: "down to", skip: "above" }[verdict] ?? "worth up to";
  return `${reach} ${wholeHere(Math.floor(ceiling))}`;
}

function oddsOf(row) {
  const loses = row.verdict === null ? "" : ` · loses ${percent(row.chance_of_loss)}`;
  return `repair ${percent(row.success_chance)}${loses}`;
}

function backingOf(row) {
  const none = "no jobs of this family yet: judged";
  if (row.evidence === "pooled only") return `${none} from ${row.entry.kind === "" ? "all kinds" : "its kind"}`;
  if (row.evidence === "hearsay") return `${none} mostly from what people say`;
  return `judged from ${row.jobs_seen} ${row.jobs_seen === 1 ? "job" : "jobs"} of this family`;
}

// The reasons of a verdict, a line each.
function whyOf(row) {
  const told = [];
  const isWorthIt = row.asked <= row.ceiling;
  if (row.verdict === "try one" && isWorthIt) told.push(["Nothing like it was ever finished here: take one, not more."]);
  else if (row.verdict === "try one") {
    const worth = row.ceiling < 0 ? "It will hardly pay" : `It is worth ${ceilingWords(row.ceiling)}`;
    told.push([`${worth}, but what a first job teaches makes up for it.`]);
  } else if (row.verdict === "skip" && isWorthIt) {
    told.push(["Nothing like it was ever finished here, and one is open: finish that one first."]);
  }
  if (row.verdict !== null) {
    const most = `${whole(row.gain_low)} to ${wholeHere(row.gain_high)}`;
    told.push([`Mean gain ${wholeHere(row.expected_gain)}; 8 of 10 such units will bring ${most}.`]);
  }
  const between = `${whole(row.success_low * 100)} to ${percent(row.success_high)}`;
  told.push([`Chance of a repair ${percent(row.success_chance)} (${between}), ${backingOf(row)}.`]);
  const { chief_risk: chief, rival_risk: rival } = row;
  const bench = ` ${fixed(row.hours, 1)}${HARD}h at the bench.`;
  if (chief === null) told.push(["No part was ever named.", bench]);
  else if (rival === null) told.push(["Most likely to end the job: ", nameOf(chief), ".", bench]);
  else told.push(["Most likely to end the job: ", nameOf(chief), " or ", nameOf(rival), ", one as much as the other.", bench]);
  // Those that end as many jobs have just been named.
  const note = row.note.split("; ").filter((each) => !each.endsWith(" end as many jobs")).join("; ");
  if (note) told.push(["Note: ", nameOf(note), "."]);
  return told.map((line) => make("p", {}, ...line));
}

const counted = (number, what) => `${number} ${what}${number === 1 ? "" : "s"}`;

function lotOdds({ verdict, chance_of_loss: loses, units }) {
  const number = counted(units.length, "unit");
  return verdict === null ? `${number} · price of the lot?` : `${number} · loses ${percent(loses)}`;
}

// What a unit adds to the price to go up to for its lot, and what is best done with it.
function partOf({ entry, best: { worth, way } }) {
  if (entry.kindJobs === 0) return "counts for nothing: no finished job of its kind stands behind it";
  if (way === PASS_ON) return "worth nothing here: pass it on";
  return `worth ${worth < 1 ? `under${HARD}1` : whole(Math.floor(worth))}${HARD}${BENCH.currency}${way === BREAK ? ", broken for parts" : ""}`;
}

function whyOfLot({ verdict, asked, expected_gain: gain, units, singly }, row) {
  const told = [];
  if (verdict !== null) told.push(make("p", {}, `Mean gain of the lot ${wholeHere(gain)}.`));
  if (singly) {
    const names = singly.offers.flatMap((offer, i) => [i ? ", " : "", nameOf(offer)]);
    told.push(make("p", {}, "Better bought singly: ", ...names, ` for ${wholeHere(singly.paid)}, mean gain ${wholeHere(singly.gain)}.`));
  }
  const parts = units.map((unit) => make("li", {}, nameOf(unit.offer), ...unit.title, `: ${partOf(unit)}`));
  told.push(make("ul", {}, ...parts));
  if (!row) return told;
  const alone = row.verdict === null ? [] : [make("p", {}, `For the price asked singly: ${row.verdict} ${reachOf(row)}.`)];
  return [...told, make("h3", {}, "This one"), ...alone, ...whyOf(row)];
}

// What either answer to a sign makes of the verdict; "" where neither changes it.
function adviceOf(row, [seen, absent]) {
  if (seen.verdict === row.verdict && absent.verdict === row.verdict) return "";
  const said = (answer) => {
    const reach = reachOf(answer).replace(`${HARD}${BENCH.currency}`, "");
    return `${answer.verdict}${answer.ceiling < 0 && answer.verdict === "skip" ? "," : ""} ${reach}`;
  };
  return `yes: ${said(seen)}; no: ${said(absent)}`;
}
