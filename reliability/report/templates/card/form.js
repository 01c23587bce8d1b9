// The form, and the bar above it that always tells how things are.

const by = (id) => document.getElementById(id);
const FIELDS = ["built_from", "built_to", "asked", "working_price", "seen_on", "offer", "lot_asked"];
const OLD_DAYS = 60; // from here on the card asks for a new one (common practice, no source)
const MOST_LOOKS = 3; // signs that stand open

let judging = 0;
let waiting = 0;
let speaking = 0;
let arranged; // the kind whose signs are shown
let act = null; // what the bar's button does

function phoneDay() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

// A phone's decimal key may be a comma; with at most two digits behind it no other meaning is left.
const plainAmount = (text) => text.trim().replace(/^([0-9]+),([0-9]{1,2})$/, "$1.$2");

function readCells() {
  const known = meant(by("name").value);
  const cells = { offer: "", family: "", model: "", kind: "" };
  if (known) cells[known.field] = known.name;
  else {
    cells.family = by("name").value;
    cells.kind = by("kind").disabled ? "" : by("kind").value;
  }
  for (const field of FIELDS) cells[field] = by(field).value;
  for (const field of ["asked", "working_price", "lot_asked"]) cells[field] = plainAmount(cells[field]);
  cells.lot = by("lot").value;
  for (const [i, sign] of SIGNS.entries()) {
    cells[sign] = document.querySelector(`input[name="sign-${i}"]:checked`).value;
  }
  return { cells, known };
}

// What is on record stands in its field: the kind, and the years and the price that an empty field means.
function hint(known) {
  const entry = known && FAMILIES.get(known.family);
  if (entry) by("kind").value = entry.kind;
  else if (by("kind").disabled) by("kind").value = "";
  by("kind").disabled = Boolean(entry);
  const last = entry ? Math.min(entry.lastYear, Number(phoneDay().slice(0, 4))) : NaN;
  const isSpan = entry && entry.firstYear <= last;
  by("built_from").placeholder = isSpan ? entry.firstYear : "";
  by("built_to").placeholder = isSpan ? last : "";
  by("working_price").placeholder = entry ? whole(entry.workingPrice) : "";
  by("lot_asked").disabled = !by("lot").value;
  by("asked-for").textContent = by("lot").value ? "Singly" : "Asked";
  return entry ? entry.kind : by("kind").value;
}

// The signs of a kind: those that tell most stand open, all others in a fold. Moving them keeps their answers.
function arrange(kind) {
  if (kind === arranged) return;
  arranged = kind;
  clearAdvice();
  const ofKind = kind === null ? [] : signsOf(kind);
  const all = [...new Set([...ofKind, ...SIGNS])].map((sign) => by(`row-${SIGNS.indexOf(sign)}`));
  const open = Math.min(ofKind.length, MOST_LOOKS);
  by("rest").append(...all.slice(open));
  by("look").replaceChildren(...all.slice(0, open));
  by("others-number").textContent = all.length - open;
  by("others").hidden = all.length === open;
  if (!open) by("look").append(make("p", { class: "soft" }, kind === null ? "The signs most worth a look show up here once the kind is known." : "Nobody has looked for signs on this kind yet."));
}

function clearAdvice() {
  for (const place of document.querySelectorAll(".advice")) place.textContent = "";
}

function update() {
  clearTimeout(waiting);
  waiting = setTimeout(judgeNow, 40);
}

// Judge what stands in the form; gives whether there is a verdict.
function judgeNow() {
  clearTimeout(waiting);
  judging++;
  for (const field of ["name", ...FIELDS]) {
    by(field).removeAttribute("aria-invalid");
    by(field).removeAttribute("aria-describedby");
  }
  const { cells, known } = readCells();
  const kind = hint(known);
  const isEmpty = !cells.family && !cells.model && !cells.kind;
  arrange(isEmpty || (!known && finder.isOpen()) ? null : kind);
  const { offer, faults } = readOffer({ ...cells, offer: cells.offer || "this one" });
  if (!faults.some(({ field }) => field === "seen_on")) relist(offer.seenOn ?? BENCH.day);
  if (cells.lot && !faults.some(({ field }) => field === "lot_asked")) priceLot(cells.lot, cells.lot_asked);
  const others = membersOf(cells.lot).filter((each) => each !== opened);
  const real = isEmpty ? faults.filter(({ field }) => field !== "family") : faults;
  if (real.length) return refuse(real);
  if (isEmpty && !others.length) return say(cells.lot ? "Unit by unit: family or model. Then the price of the lot." : "Family or model, then the price asked.");
  if (!isEmpty && !known && finder.isOpen()) return say("Choose a name from the list; or leave the field, and it counts as new.");
  try {
    const row = isEmpty ? null : judgeOffer({ ...cells, offer: "this one" });
    if (cells.lot) return showLot(judgedOf(others), row && { ...row, title: [] });
    show(row, JSON.stringify(cells) === saved);
    return true;
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    return refuse([fault]);
  }
}

function setBar(tone, said, word, then) {
  by("bar").className = tone;
  by("said").replaceChildren(...said);
  by("act").textContent = word;
  by("act").disabled = then === null;
  act = then;
}

// Without a verdict: what is needed for one.
function say(message) {
  setBar("none", [message], "Save", null);
  speak("");
  by("why").replaceChildren();
  clearAdvice();
  return false;
}

function refuse(faults) {
  say(faults[0].message);
  for (const { field } of faults) {
    const at = ["family", "model", "kind"].includes(field) ? "name" : field;
    const place = by(at === "built_to" && !by(at).value ? "built_from" : at);
    place.setAttribute("aria-invalid", "true");
    place.setAttribute("aria-describedby", "said");
    if (by("more").contains(place)) by("more").open = true;
  }
  by("bar").className = "fault";
  const { near, message } = faults[0];
  speak(message);
  if (near) {
    setBar("fault", [message], "Yes", () => {
      by("name").value = near;
      judgeNow();
      by("asked").focus();
    });
  }
  return false;
}

function show(row, isSaved) {
  const word = row.verdict === null ? [] : [make("b", {}, markOf(row.verdict), ` ${row.verdict}`), " "];
  const more = row.verdict === null ? `${oddsOf(row)} · price?` : oddsOf(row);
  setBar(toneOf(row.verdict), [...word, make("span", {}, reachOf(row)), make("small", {}, more)], ...(isSaved ? ["Next", clearForm] : ["Save", keep]));
  by("why").replaceChildren(...whyOf(row));
  speak([row.verdict ?? "No price asked", reachOf(row), oddsOf(row)].join(", "));
  advise(row, row, (sign) => answersTo(sign, row), signsOf(row.entry.kind), judging);
}

// The lot with the unit in the form, if there is one.
function showLot(others, row) {
  const lot = judgeLot(row ? [...others, row] : others);
  const word = lot.verdict === null ? [] : [make("b", {}, markOf(lot.verdict), ` ${lot.verdict}`), " "];
  const told = lotOdds(lot);
  const next = row ? [opened ? "Save" : "Add", keep] : ["Done", leaveLot];
  setBar(toneOf(lot.verdict), [...word, make("span", {}, reachOf(lot)), make("small", {}, told)], ...next);
  by("why").replaceChildren(...whyOfLot(lot, row));
  speak([lot.verdict ?? "No price asked for the lot", reachOf(lot), told].join(", "));
  if (row) advise(row, lot, (sign) => answersTo(sign, row, others), signsOf(row.entry.kind), judging);
  else clearAdvice();
  return row !== null;
}

// Read out once the typing has come to rest.
function speak(text) {
  clearTimeout(speaking);
  speaking = setTimeout(() => {
    if (by("spoken").textContent !== text) by("spoken").textContent = text;
  }, 500);
}

// One sign at a time, and not at all once the form has changed.
function advise({ unit }, now, answers, signs, mine) {
  if (mine !== judging || !signs.length) return;
  const sign = signs.shift();
  const isOpen = now.verdict !== null && Number.isNaN(unit.signs[SHARED.signs.indexOf(sign)]);
  by(`advice-${SIGNS.indexOf(sign)}`).textContent = isOpen ? adviceOf(now, answers(sign)) : "";
  setTimeout(advise, 0, { unit }, now, answers, signs, mine);
}

function makeSigns() {
  const answers = [["not looked", ""], ["no", "no"], ["yes", "yes"]];
  for (const [i, sign] of SIGNS.entries()) {
    const group = make("div", { class: "answers", role: "radiogroup", "aria-labelledby": `sign-${i}`, "aria-describedby": `advice-${i}` });
    for (const [word, value] of answers) {
      const input = make("input", { type: "radio", name: `sign-${i}`, value, ...(value ? {} : { checked: "" }) });
      group.append(make("label", {}, input, make("span", {}, word)));
    }
    const named = make("span", { id: `sign-${i}` }, nameOf(sign));
    by("rest").append(make("div", { class: "sign", id: `row-${i}` }, named, group, make("p", { class: "advice", id: `advice-${i}` })));
  }
}

function clearForm() {
  const stays = ["seen_on", "lot", "lot_asked"].map((id) => [id, by(id).value]);
  by("unit").reset();
  for (const [id, value] of stays) by(id).value = value;
  by("kind").disabled = false;
  opened = null;
  saved = "";
  judgeNow();
  by("name").focus();
}

function leaveLot() {
  by("lot").value = by("lot_asked").value = "";
  clearForm();
}

function tellAge() {
  const days = Math.round((Date.parse(phoneDay()) - Date.parse(BENCH.as_of)) / 86400000);
  if (days < 1) return;
  const old = days > OLD_DAYS ? ": make a new card, prices and odds have moved on." : "";
  by("age").textContent = `; ${days === 1 ? "1 day" : `${days} days`} old${old}`;
}

const finder = startFinder(by("name"), by("names"), update, () => {
  judgeNow();
  if (by("lot").value) by("name").blur(); // the price of a lot comes last
  else by("asked").select();
});
makeSigns();
for (const kind of KINDS.names) if (kind) by("kind").append(make("option", { value: kind }, kind));
if (!KINDS.has("other")) by("kind").append(make("option", { value: "other" }, "another kind"));
// The phone's own day; the card's where the phone's clock is behind it.
by("seen_on").value = phoneDay() > BENCH.day ? phoneDay() : BENCH.day;
by("unit").addEventListener("input", update);
by("unit").addEventListener("change", update);
by("lot").addEventListener("change", () => {
  by("lot_asked").value = cellOf(membersOf(by("lot").value)[0] ?? {}, "lot_asked");
});
by("unit").addEventListener("submit", (event) => {
  event.preventDefault();
  document.activeElement?.blur();
});
by("act").addEventListener("click", () => act());
by("save").addEventListener("click", () => saveFile("offers.csv", offersFile(kept)));
by("clear").addEventListener("click", () => {
  if (!window.confirm("Remove all that was looked at?")) return;
  kept = [];
  saved = "";
  showKept();
  judgeNow();
  by("name").focus();
});
tellAge();
showKept();
by("bar").hidden = by("card").hidden = false;
judgeNow();

// For the tests, and for anyone with a console: the verdicts on offers, by the columns of an offers file.
globalThis.pocketCard = Object.freeze({
  judge: (offers, day) =>
    judgeAll(offers, day).map(({ entry, unit, appraisal, asked, lot, lotAsked, ...row }) => row),
  answers: (cells, sign, day) => answersTo(sign, judgeOffer(cells, day)),
});
