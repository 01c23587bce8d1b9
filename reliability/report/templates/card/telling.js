// Verdicts in words, and the elements that show them. Text becomes text nodes only, never markup.

const HARD = "\u00a0";
const MINUS = "\u2212";
const MARKS = JSON.parse(document.getElementById("numbers").textContent).marks;

function make(tag, attributes = {}, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}

const nameOf = (text) => make("bdi", {}, text);

function drawn(tag, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

function markOf(verdict) {
  const svg = drawn("svg", { viewBox: "0 0 16 16", class: "mark", "aria-hidden": "true" });
  for (const [tag, attributes] of MARKS[verdict] ?? []) svg.append(drawn(tag, attributes));
  return svg;
}

const toneOf = (verdict) => (verdict === null ? "none" : verdict.replace(" ", "-"));

function money(amount) {
  return `${amount < 0 ? MINUS : ""}${fixed(Math.abs(amount), 2)}`;
}

const moneyHere = (amount) => `${money(amount)}${HARD}${BENCH.currency}`;

function whole(amount) {
  const near = Math.round(Math.abs(amount));
  return `${amount < 0 && near ? MINUS : ""}${near}`;
}

function percent(share) {
  if (share < 0.005) return `under${HARD}1${HARD}%`;
  if (share >= 0.995) return `over${HARD}99${HARD}%`;
  return `${Math.round(share * 100)}${HARD}%`;
}

// Verdict and ceiling in a few words: "skip above 12.00 EUR".
const REACH = { take: "up to", haggle: "down to", "try one": "ceiling", skip: "above" };

function reachOf({ verdict, ceiling, asked }) {
  if (ceiling < 0 && verdict !== "try one") return verdict === null ? "not even free" : "even for free";
  const reach = verdict === "skip" && asked <= ceiling ? "ceiling" : (REACH[verdict] ?? "up to");
  return `${reach} ${moneyHere(ceiling)}`;
}

function whyOf(row) {
  const upTo = moneyHere(row.ceiling);
  if (row.ceiling < 0 && row.verdict !== "try one") return "Leave it, even for free.";
  if (row.verdict === null && row.entry.kindJobs === 0) return `No price yet: try one at most, up to ${upTo}.`;
  if (row.verdict === null) return `No price yet: take it up to ${upTo}.`;
  if (row.verdict === "take") return `Good up to ${upTo}.`;
  if (row.verdict === "haggle") return `Take it if they come down to ${upTo}.`;
  if (row.verdict === "try one") {
    if (row.asked <= row.ceiling) return "Nothing like it was ever finished here: take one, not more.";
    return "Above the ceiling, but what a first job teaches is worth it.";
  }
  if (row.verdict === "skip" && row.asked <= row.ceiling) return "Nothing like it was ever finished here, and one is open.";
  return `Leave it above ${upTo}.`;
}

const headOf = (row) => (row.verdict === null ? "No price asked" : row.verdict);

function backingOf(row) {
  const jobs = row.jobs_seen === 1 ? "1 finished job" : `${row.jobs_seen || "no"} finished jobs`;
  if (row.evidence === "pooled only") return `${jobs} of this family: judged from its kind`;
  if (row.evidence === "hearsay") return `${jobs} of this family: mostly from what people say`;
  return `${jobs} of this family (${row.evidence})`;
}

// A bar from 0 to 100 %: the interval, and a mark for the mean.
function scaleOf(row) {
  const svg = drawn("svg", { viewBox: "0 0 100 6", preserveAspectRatio: "none", class: "scale", "aria-hidden": "true" });
  const [low, high] = [row.success_low * 100, row.success_high * 100];
  svg.append(drawn("rect", { x: 0, y: 2.5, width: 100, height: 1, fill: "currentColor", opacity: 0.35 }));
  svg.append(drawn("rect", { x: low, y: 1, width: Math.max(high - low, 0.5), height: 4, fill: "currentColor", opacity: 0.45 }));
  svg.append(drawn("rect", { x: row.success_chance * 100 - 0.5, y: 0, width: 1, height: 6, fill: "currentColor" }));
  return svg;
}

function toldRow(label, ...said) {
  return make("div", {}, make("dt", {}, label), make("dd", {}, ...said));
}

function riskOf({ chief_risk: chief, rival_risk: rival }) {
  if (chief === null) return ["no part was ever named"];
  if (rival === null) return [make("b", {}, nameOf(chief)), make("small", {}, "the part most likely to end the job")];
  const both = make("b", {}, nameOf(chief), " and ", nameOf(rival));
  return [both, make("small", {}, "the parts most likely to end the job, one as much as the other")];
}

function answerOf(row, title) {
  const tag = make("div", { class: `tag ${toneOf(row.verdict)}` });
  tag.append(make("p", { class: "word" }, markOf(row.verdict), ` ${headOf(row)}`));
  tag.append(make("p", { class: "why" }, whyOf(row)), make("p", { class: "soft" }, ...title));
  const told = make("dl", { class: "told" });
  told.append(toldRow("Ceiling", make("b", {}, moneyHere(row.ceiling)), make("small", {}, "the most to pay")));
  if (row.verdict !== null) {
    const such = `8 of 10 such units: ${whole(row.gain_low)} to ${whole(row.gain_high)}${HARD}${BENCH.currency}`;
    told.append(toldRow("Expected gain", make("b", {}, moneyHere(row.expected_gain)), make("small", {}, such)));
    told.append(toldRow("Chance of a loss", make("b", {}, percent(row.chance_of_loss))));
  }
  const between = `90${HARD}% interval: ${whole(row.success_low * 100)} to ${percent(row.success_high)}`;
  told.append(
    toldRow("Chance of a repair", make("b", {}, percent(row.success_chance)), scaleOf(row), make("small", {}, between)),
    toldRow("Look first at", make("span", { id: "look" }, "…")),
    toldRow("Chief risk", ...riskOf(row)),
    toldRow("Bench hours", make("b", {}, `${fixed(row.hours, 1)}${HARD}h`)),
    toldRow("Stands on", backingOf(row)),
  );
  if (row.note) told.append(toldRow("Note", nameOf(row.note)));
  return [tag, told];
}

function glanceOf(row) {
  const parts = [make("b", {}, markOf(row.verdict), ` ${row.verdict ?? ""}`)];
  parts.push(make("span", {}, reachOf(row)));
  parts.push(make("span", {}, `repair ${percent(row.success_chance)}`));
  return parts;
}

function spokenOf(row) {
  const gain = row.verdict === null ? "" : ` Expected gain ${moneyHere(row.expected_gain)}.`;
  return `${headOf(row)}. ${whyOf(row)}${gain} Chance of a repair ${percent(row.success_chance)}.`;
}

// What to look at first: the sign that tells most, or the part, once every sign was looked for.
function lookOf(look, row) {
  if (look === null) return [nameOf(row.chief_risk ?? "anything"), make("small", {}, "every sign was looked at")];
  const said = (answer) => `${answer.verdict ?? ""} ${reachOf(answer)}`.trim();
  return [
    make("b", {}, nameOf(look.sign)),
    make("small", {}, `yes: ${said(look.seen)}`),
    make("small", {}, `no: ${said(look.absent)}`),
  ];
}
