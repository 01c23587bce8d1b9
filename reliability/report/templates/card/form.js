// The form, the answer beside it, and what was looked at.

const by = (id) => document.getElementById(id);
const FIELDS = ["built_from", "built_to", "asked", "working_price", "seen_on", "offer"];
const OLD_DAYS = 60; // from here on the card asks for a new one (common practice, no source)

let kept = keptBefore();
let looking = 0;
let waiting = 0;
let speaking = 0;

function phoneDay() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

const daysBetween = (from, to) => Math.round((Date.parse(to) - Date.parse(from)) / 86400000);

// A phone's decimal key may be a comma; with at most two digits behind it no other meaning is left.
const plainAmount = (text) => text.trim().replace(/^([0-9]+),([0-9]{1,2})$/, "$1.$2");

function readCells() {
  const known = meant(by("name").value);
  const cells = { offer: "", family: "", model: "", kind: "" };
  if (known) cells[known.field] = known.name;
  else {
    cells.family = by("name").value;
    cells.kind = by("kind").value;
  }
  for (const field of FIELDS) cells[field] = by(field).value;
  cells.asked = plainAmount(cells.asked);
  cells.working_price = plainAmount(cells.working_price);
  for (const [i, sign] of SIGNS.entries()) {
    cells[sign] = document.querySelector(`input[name="sign-${i}"]:checked`).value;
  }
  return { cells, known };
}

function setFault(at, message) {
  const place = by(`${at}-fault`);
  if (place.textContent !== message) place.textContent = message;
  if (message) by(at).setAttribute("aria-invalid", "true");
  else by(at).removeAttribute("aria-invalid");
  if (message && (at === "seen_on" || at === "offer")) by("more").open = true;
}

// The field in which the fault of a cell can be mended.
function fieldOf(cell) {
  if (["family", "model", "kind"].includes(cell)) return "name";
  return cell === "built_to" && !by("built_to").value ? "built_from" : cell;
}

function clearFaults() {
  for (const field of ["name", ...FIELDS]) setFault(field, "");
}

function hint(known, cells) {
  const entry = known && FAMILIES.get(known.family);
  by("name-hint").textContent = known && known.field === "model" ? `Family ${known.family}` : "";
  by("unknown").hidden = Boolean(known) || cells.family.trim() === "";
  const last = entry ? Math.min(entry.lastYear, Number(phoneDay().slice(0, 4))) : NaN;
  const span = entry && entry.firstYear < last ? `${entry.firstYear} to ${last}` : last;
  by("years-hint").textContent = entry && entry.firstYear <= last ? `Left empty: built ${span}.` : "";
  const guessed = entry && entry.priceDoubt > 0 ? ", a guess" : "";
  by("price-hint").textContent = entry ? `Left empty: sells for ${moneyHere(entry.workingPrice)}${guessed}.` : "";
}

function titleOf(cells) {
  const years = [cells.built_from, cells.built_to].filter(Boolean).join("–");
  const parts = [nameOf(cells.family || cells.model || cells.kind)];
  if (years) parts.push(`, built ${years}`);
  if (cells.asked) parts.push(`, asked ${money(Number(cells.asked))}${HARD}${BENCH.currency}`);
  return parts;
}

function say(message) {
  by("shown").replaceChildren(make("p", { class: "soft", id: "waiting" }, message));
  by("keeping").hidden = by("glance").hidden = true;
  speak("");
  pointTo(null);
  looking++;
}

function update() {
  clearTimeout(waiting);
  waiting = setTimeout(judgeNow, 40);
}

function judgeNow() {
  clearTimeout(waiting);
  clearFaults();
  by("said").textContent = "";
  const { cells, known } = readCells();
  hint(known, finder.isOpen() ? { family: "" } : cells);
  const { faults } = readOffer({ ...cells, offer: cells.offer || "this one" });
  if (!cells.family && !cells.model) return say("Type a family or model, then the price asked.");
  for (const fault of faults) setFault(fieldOf(fault.field), fault.message);
  if (faults.length) return say("Mend the marked field first.");
  if (!known && finder.isOpen()) return say("Choose a name from the list; or leave the field, and it counts as unknown.");
  try {
    show(judgeOffer({ ...cells, offer: "this one" }), cells);
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    setFault(fieldOf(fault.field), fault.message);
    say("Mend the marked field first.");
  }
}

function show(row, cells) {
  by("shown").replaceChildren(...answerOf(row, titleOf(cells)));
  by("glance").replaceChildren(...glanceOf(row));
  by("glance").className = toneOf(row.verdict);
  by("keeping").hidden = by("glance").hidden = false;
  speak(spokenOf(row));
  lookOn(row, lookFirst(row), ++looking);
}

// Read out once the typing has come to rest.
function speak(text) {
  clearTimeout(speaking);
  speaking = setTimeout(() => {
    if (by("spoken").textContent !== text) by("spoken").textContent = text;
  }, 500);
}

// One sign at a time, and not at all once the form has changed.
function lookOn(row, search, mine) {
  setTimeout(() => {
    if (mine !== looking) return;
    const { done, value } = search.next();
    if (!done) return lookOn(row, search, mine);
    by("look").replaceChildren(...lookOf(value, row));
    pointTo(value && value.worth > 0 ? value.sign : null);
  }, 0);
}

// Beside the sign itself too, where its answer would change the decision.
function pointTo(wanted) {
  for (const [i, sign] of SIGNS.entries()) by(`first-${i}`).hidden = sign !== wanted;
}

function clearForm() {
  const day = by("seen_on").value;
  by("unit").reset();
  by("seen_on").value = day;
  judgeNow();
}

// The phone's own day; the card's where the phone's clock is behind it.
const startDay = () => (phoneDay() > BENCH.day ? phoneDay() : BENCH.day);

function keep() {
  judgeNow(); // else what waits to be judged would wipe out a fault told here
  if (by("keeping").hidden) return;
  const { cells } = readCells();
  cells.offer = cleanText(cells.offer) || freeLabel(kept);
  cells.seen_on = cells.seen_on || BENCH.day; // at home an empty day would be the day of judging
  if (kept.some((other) => other.offer === cells.offer)) {
    setFault("offer", `There is a ${cells.offer} in the list already; every label stands once.`);
    by("offer").focus();
    return;
  }
  const filled = Object.entries(cells).map(([name, text]) => [name, cleanText(text)]);
  kept.push(Object.fromEntries(filled.filter(([, text]) => text !== "")));
  by("offer").value = "";
  showKept();
  by("said").textContent = `Kept as ${cells.offer}.`;
}

function keptItem(cells) {
  const open = make("button", { type: "button", "aria-label": `Open ${cells.offer}` }, "Open");
  const remove = make("button", { type: "button", "aria-label": `Remove ${cells.offer}` }, "Remove");
  open.addEventListener("click", () => reopen(cells));
  remove.addEventListener("click", () => {
    kept = kept.filter((other) => other !== cells);
    showKept();
    by(kept.length ? "save" : "name").focus();
  });
  const told = make("div");
  const named = [nameOf(cells.offer), ": ", ...titleOf(cells)];
  try {
    const row = judgeOffer(cells);
    const word = make("span", { class: `verdict ${toneOf(row.verdict)}` }, markOf(row.verdict), ` ${headOf(row)}`);
    told.append(word, `${row.verdict === null ? ":" : ""} ${reachOf(row)}`, make("small", {}, ...named));
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    told.append(make("span", { class: "verdict skip" }, fault.message), make("small", {}, ...named));
  }
  return make("li", {}, told, make("div", { class: "buttons" }, open, remove));
}

function reopen(cells) {
  by("unit").reset();
  by("name").value = cellOf(cells, "model") || cellOf(cells, "family");
  by("kind").value = cellOf(cells, "kind");
  for (const field of FIELDS) by(field).value = field === "offer" ? "" : cellOf(cells, field);
  for (const [i, sign] of SIGNS.entries()) {
    for (const input of document.getElementsByName(`sign-${i}`)) input.checked = input.value === cellOf(cells, sign);
  }
  judgeNow();
  by("answer").focus();
  by("answer").scrollIntoView();
}

function showKept() {
  by("forgetful").hidden = remember(kept);
  by("looked-at").hidden = !kept.length;
  by("kept").replaceChildren(...kept.map(keptItem));
  by("as-text").value = offersFile(kept);
}

function makeSigns() {
  const answers = [["not looked", ""], ["no", "no"], ["yes", "yes"]];
  for (const [i, sign] of SIGNS.entries()) {
    const group = make("div", { class: "answers", role: "radiogroup", "aria-labelledby": `sign-${i}` });
    for (const [word, value] of answers) {
      const input = make("input", { type: "radio", name: `sign-${i}`, value, ...(value ? {} : { checked: "" }) });
      group.append(make("label", {}, input, make("span", {}, word)));
    }
    const first = make("small", { id: `first-${i}`, hidden: "" }, "look at this first");
    const named = make("div", {}, make("span", { id: `sign-${i}` }, nameOf(sign)), first);
    by("signs").append(make("div", { class: "sign" }, named, group));
  }
  by("signs").hidden = !SIGNS.length;
}

function tellAge() {
  const days = daysBetween(BENCH.as_of, phoneDay());
  if (days < 1) return;
  const old = days > OLD_DAYS ? " Make a new card: prices and odds have moved on." : "";
  by("age").textContent = `${days === 1 ? "1 day" : `${days} days`} old.${old}`;
}

const finder = startFinder(by("name"), by("names"), update);
makeSigns();
for (const kind of KINDS.names) if (kind) by("kind").append(make("option", { value: kind }, kind));
if (!KINDS.has("other")) by("kind").append(make("option", { value: "other" }, "another kind"));
by("seen_on").value = startDay();
by("unit").addEventListener("input", update);
by("unit").addEventListener("change", update);
by("unit").addEventListener("submit", (event) => {
  event.preventDefault();
  document.activeElement?.blur();
});
by("keep").addEventListener("click", keep);
by("next").addEventListener("click", () => {
  clearForm();
  by("name").focus();
});
by("save").addEventListener("click", () => saveFile("offers.csv", offersFile(kept)));
by("clear").addEventListener("click", () => {
  if (!window.confirm("Remove all that was looked at?")) return;
  kept = [];
  showKept();
  by("name").focus();
});
tellAge();
showKept();
by("card").hidden = false;
judgeNow();

// For the tests, and for anyone with a console: the verdict on one offer, by the columns of an offers file.
globalThis.pocketCard = Object.freeze({
  judge(cells, day) {
    const { entry, unit, asked, ...row } = judgeOffer(cells, day);
    return row;
  },
  look(cells, day) {
    const search = lookFirst(judgeOffer(cells, day));
    let step = search.next();
    while (!step.done) step = search.next();
    return step.value;
  },
});
