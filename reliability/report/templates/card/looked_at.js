// What was looked at: kept on the phone where the browser allows it, saved as a file of offers.

const PLACE = BENCH.demo ? "benchodds.looked-at.demo" : "benchodds.looked-at";

// A file opened from a mail or a folder may have no storage, or one that throws.
function storage() {
  try {
    const probe = `${PLACE}.probe`;
    localStorage.setItem(probe, "1");
    localStorage.removeItem(probe);
    return localStorage;
  } catch {
    return null;
  }
}

const STORE = storage();

function keptBefore() {
  try {
    const kept = JSON.parse(STORE?.getItem(PLACE) ?? "[]");
    return Array.isArray(kept) ? kept.filter((cells) => typeof cells?.offer === "string") : [];
  } catch {
    return [];
  }
}

function remember(kept) {
  try {
    STORE?.setItem(PLACE, JSON.stringify(kept));
    return STORE !== null;
  } catch {
    return false; // the storage is full
  }
}

function freeLabel(kept) {
  const taken = new Set(kept.map((cells) => cells.offer));
  let number = 1;
  while (taken.has(`unit ${number}`)) number++;
  return `unit ${number}`;
}

// A name may be that of something every object has.
const cellOf = (cells, name) => (Object.prototype.hasOwnProperty.call(cells, name) ? cells[name] : "");

// A cell that a spreadsheet would take for a formula gets an apostrophe; quotes as in RFC 4180.
function csvCell(text) {
  const safe = /^['\s\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]*[=+\-@＝＋－＠]/.test(text) ? `'${text}` : text;
  return /[",\r\n]|^\s|\s$/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

function offersFile(kept) {
  const columns = [...RULES.columns, ...SIGNS];
  // A card made later may not know a sign that was looked at with this one.
  for (const cells of kept) for (const name of Object.keys(cells)) if (!columns.includes(name)) columns.push(name);
  const rows = [columns, ...kept.map((cells) => columns.map((name) => cellOf(cells, name)))];
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
