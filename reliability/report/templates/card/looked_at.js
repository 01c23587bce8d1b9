// What was looked at: kept on the phone where the browser allows it, saved as a file of offers.

const PLACE = BENCH.demo ? "benchodds.looked-at.demo" : "benchodds.looked-at";

// A file opened from a mail or a folder may have no storage, one that throws, or one that is full.
function keptBefore() {
  try {
    const before = JSON.parse(localStorage.getItem(PLACE) ?? "[]");
    return Array.isArray(before) ? before.filter((cells) => typeof cells?.offer === "string") : [];
  } catch {
    return [];
  }
}

function remember() {
  try {
    localStorage.setItem(PLACE, JSON.stringify(kept));
    return true;
  } catch {
    return false;
  }
}

let kept = keptBefore();
let opened = null; // the kept unit that stands in the form again
let saved = ""; // what the form held when it was last put on the list
let outcomes = []; // each shows anew what became of some units

function freeName(column, word) {
  let number = 1;
  while (kept.some((cells) => cellOf(cells, column) === `${word} ${number}`)) number++;
  return `${word} ${number}`;
}

// A name may be that of something every object has.
const cellOf = (cells, name) => (Object.prototype.hasOwnProperty.call(cells, name) ? cells[name] : "");

// Put the form's unit on the list; one that was opened again takes its own place.
function keep() {
  if (!judgeNow()) return;
  const { cells } = readCells();
  cells.offer = cleanText(cells.offer) || freeName("offer", "unit");
  cells.seen_on = cells.seen_on || BENCH.day; // at home an empty day would be the day of judging
  if (kept.some((other) => other !== opened && other.offer === cells.offer)) {
    refuse([new Refusal("offer", "This label is in the list already; every label stands once.")]);
    by("offer").focus();
    return;
  }
  const filled = Object.entries({ ...opened, ...cells }).map(([name, text]) => [name, cleanText(text)]);
  const unit = Object.fromEntries(filled.filter(([, text]) => text !== ""));
  if (opened) kept[kept.indexOf(opened)] = unit;
  else kept.push(unit);
  opened = null;
  by("offer").value = "";
  showKept();
  if (cells.lot) clearForm(); // for the next one
  else {
    saved = JSON.stringify(readCells().cells);
    judgeNow();
  }
  speak(`Saved as ${cells.offer}.`);
}

const membersOf = (lot) => (lot ? kept.filter((cells) => cellOf(cells, "lot") === lot) : []);

// Kept units as judged rows; of one that an older card could judge the fault is told with its label.
function judgedOf(units) {
  return units.map((cells) => {
    try {
      return { ...judgeOffer(cells), title: [" (", ...titleOf(cells), ")"] };
    } catch (fault) {
      if (!(fault instanceof Refusal)) throw fault;
      throw new Refusal("lot", `${cells.offer}: ${fault.message}`);
    }
  });
}

// A lot has one price, which stands on all of its units.
function priceLot(lot, price) {
  const members = membersOf(lot).filter((cells) => cellOf(cells, "lot_asked") !== price);
  for (const cells of members) {
    delete cells.lot_asked;
    if (price) cells.lot_asked = price;
  }
  if (members.length) showKept();
}

// The family and all that tells one unit from another.
function titleOf(cells) {
  const years = [...new Set([cellOf(cells, "built_from"), cellOf(cells, "built_to")])].filter(Boolean).join("–");
  const parts = [nameOf(cellOf(cells, "family") || cellOf(cells, "model") || cellOf(cells, "kind"))];
  if (years) parts.push(`, built ${years}`);
  if (cellOf(cells, "asked")) parts.push(`, asked ${cells.asked}${HARD}${BENCH.currency}`);
  return parts;
}

// A paragraph with the verdict that `judge` gives, or with what is wrong; below it what it is about.
function toldOf(judge, ...about) {
  const named = make("small", {}, ...about);
  try {
    const row = judge();
    const word = () => make("b", { class: toneOf(row.verdict) }, markOf(row.verdict), ` ${row.verdict}`);
    return make("p", {}, ...(row.verdict === null ? [] : [word(), " "]), reachOf(row), named);
  } catch (fault) {
    if (!(fault instanceof Refusal)) throw fault;
    return make("p", {}, make("b", { class: "skip" }, fault.message), named);
  }
}

// What became of units, all of them at once.
function outcomeOf(units, called) {
  const outcome = make("select", { "aria-label": `What became of ${called}` });
  outcome.append(make("option", { value: "" }, "not decided"), make("option", { value: "bought" }, "bought"));
  for (const reason of RULES.left_because) outcome.append(make("option", { value: reason }, `left: ${reason}`));
  const each = make("option", { value: "each", disabled: "" }, "unit by unit");
  const show = () => {
    const said = new Set(units.map((cells) => (cellOf(cells, "bought") ? "bought" : cellOf(cells, "left_because"))));
    if (said.size > 1) outcome.append(each);
    else each.remove();
    const value = said.size > 1 ? "each" : [...said][0];
    if (outcome.value !== value) outcome.value = value;
  };
  // The list stays as it is, or a word typed to choose by would be cut off; a lot and its units answer each other.
  outcome.addEventListener("change", () => {
    for (const cells of units) {
      delete cells.bought;
      delete cells.left_because;
      if (outcome.value === "bought") cells.bought = "yes";
      else if (outcome.value) cells.left_because = outcome.value;
    }
    noteKept();
    for (const showOther of outcomes) showOther();
  });
  outcomes.push(show);
  show();
  return outcome;
}

function lotItem(lot) {
  const members = membersOf(lot);
  const asked = cellOf(members[0], "lot_asked");
  const about = `${lot}: ${counted(members.length, "unit")}${asked ? `, asked ${asked}${HARD}${BENCH.currency}` : ""}`;
  const open = make("button", { type: "button", "aria-label": `Open ${lot}` }, "Open");
  open.addEventListener("click", () => {
    by("lot").value = lot;
    by("lot_asked").value = asked;
    clearForm();
    window.scrollTo(0, 0);
  });
  const buttons = make("div", { class: "buttons" }, outcomeOf(members, lot), open);
  const told = toldOf(() => judgeLot(judgedOf(members)), about);
  return make("li", {}, told, buttons, make("ol", {}, ...members.map((cells) => keptItem(cells, true))));
}

function keptItem(cells, isInLot) {
  const title = [nameOf(cells.offer), ": ", ...titleOf(cells)];
  const told = isInLot ? make("p", {}, make("small", {}, ...title)) : toldOf(() => judgeOffer(cells), ...title);
  // Of a lot bought whole its units are bought; one that has a price of its own may be bought alone.
  const outcome = isInLot && !cellOf(cells, "asked") ? [] : [outcomeOf([cells], cells.offer)];
  const open = make("button", { type: "button", "aria-label": `Open ${cells.offer}` }, "Open");
  const remove = make("button", { type: "button", "aria-label": `Remove ${cells.offer}` }, "Remove");
  open.addEventListener("click", () => reopen(cells));
  remove.addEventListener("click", () => {
    kept = kept.filter((other) => other !== cells);
    if (opened === cells) opened = null;
    saved = "";
    showKept();
    judgeNow();
    by(kept.length ? "save" : "name").focus();
  });
  return make("li", {}, told, make("div", { class: "buttons" }, ...outcome, open, remove));
}

function reopen(cells) {
  by("unit").reset();
  by("kind").disabled = false;
  by("name").value = cellOf(cells, "model") || cellOf(cells, "family");
  by("kind").value = cellOf(cells, "kind");
  for (const field of ["lot", ...FIELDS]) by(field).value = cellOf(cells, field);
  for (const [i, sign] of SIGNS.entries()) {
    for (const input of document.getElementsByName(`sign-${i}`)) input.checked = input.value === cellOf(cells, sign);
  }
  opened = cells;
  saved = "";
  judgeNow();
  window.scrollTo(0, 0);
  by("asked").focus();
}

function noteKept() {
  by("forgetful").hidden = remember();
  by("as-text").value = offersFile(kept);
}

function showLots() {
  const [chosen, next] = [by("lot").value, freeName("lot", "lot")];
  const lots = [...new Set(kept.map((cells) => cellOf(cells, "lot")))].filter(Boolean);
  const named = [["", "by itself"], ...lots.map((lot) => [lot, `in ${lot}`]), [next, "in a new lot"]];
  by("lot").replaceChildren(...named.map(([value, word]) => make("option", { value }, word)));
  by("lot").value = lots.includes(chosen) || chosen === next ? chosen : "";
}

// The newest first: it is the one that is decided next. Units of a lot stand together.
function showKept() {
  noteKept();
  showLots();
  by("looked-at").hidden = !kept.length;
  by("looked-number").textContent = kept.length;
  outcomes = [];
  const told = new Map(kept.map((cells) => [cellOf(cells, "lot") || cells, cells]).reverse());
  by("kept").replaceChildren(...[...told].map(([lot, cells]) => (lot === cells ? keptItem(cells) : lotItem(lot))));
}

// A cell that a spreadsheet would take for a formula gets an apostrophe; quotes as in RFC 4180.
function csvCell(text) {
  const safe = /^['\s\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]*[=+\-@＝＋－＠]/.test(text) ? `'${text}` : text;
  return /[",\r\n]|^\s|\s$/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

function offersFile(units) {
  const columns = [...RULES.columns, ...SIGNS];
  // A card made later may not know a sign that was looked at with this one.
  for (const cells of units) for (const name of Object.keys(cells)) if (!columns.includes(name)) columns.push(name);
  const rows = [columns, ...units.map((cells) => columns.map((name) => cellOf(cells, name)))];
  return rows.map((row) => `${row.map(csvCell).join(",")}\r\n`).join("");
}

function saveFile(name, text) {
  const url = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
  const link = make("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 60000);
}
