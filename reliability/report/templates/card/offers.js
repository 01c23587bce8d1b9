// One offer: its cells checked by the rules of an offers file, then turned into ages, signs and price.

class Refusal extends Error {
  constructor(field, message, near = null) {
    super(message);
    this.field = field;
    this.near = near; // the known name that may be meant
  }
}

const cleanText = (text) => String(text ?? "").replace(/\r\n?/g, "\n").normalize("NFC").trim();

function readName(field, text) {
  if (/[\p{Cc}\p{Cs}\p{Zl}\p{Zp}]/u.test(text)) {
    throw new Refusal(field, "This holds a character that a name may not have, such as a line break.");
  }
  if (Array.from(text).length > RULES.longest_line) {
    throw new Refusal(field, `At most ${RULES.longest_line} characters are allowed.`);
  }
  if (RULES.spreadsheet_errors.includes(text)) {
    throw new Refusal(field, `${text} is the error of a spreadsheet formula; leave the field empty.`);
  }
  return text;
}

function readYear(field, text) {
  const [first, last] = RULES.years;
  if (!/^[0-9]{4}$/.test(text) || Number(text) < first || Number(text) > last) {
    throw new Refusal(field, `Write a year of four digits, ${first} to ${last}, or nothing.`);
  }
  return Number(text);
}

function readMoney(field, text) {
  if (!/^-?[0-9]+(\.[0-9]+)?$/.test(text) || /\.[0-9]{2}[0-9]*[1-9]/.test(text)) {
    throw new Refusal(field, "Write an amount with at most two decimals, such as 12.50, or nothing.");
  }
  const amount = Number(text);
  if (Math.abs(amount) >= RULES.most_money) throw new Refusal(field, "This is more than a ledger can hold.");
  if (field === "working_price" && !(amount > 0)) throw new Refusal(field, "A working price is above 0. Leave it empty if it is not known.");
  if (amount < 0) throw new Refusal(field, "A price is at least 0.");
  return amount;
}

function readDay(field, text) {
  const day = text.length === 7 ? `${text}-16` : text;
  const parts = /^([0-9]{4})-([0-9]{2})-([0-9]{2})$/.exec(day);
  const moment = parts && new Date(Date.UTC(parts[1], parts[2] - 1, parts[3]));
  const [first, last] = RULES.years;
  if (!parts || parts[1] < first || parts[1] > last || moment.toISOString().slice(0, 10) !== day) {
    throw new Refusal(field, `Write a day such as 2026-05-17, from ${first} to ${last}.`);
  }
  return day;
}

function readSign(name, text) {
  if (text !== "yes" && text !== "no") throw new Refusal(name, "A sign is yes, no, or not looked at.");
  return text;
}

// Cells as an offers file has them, all texts; every fault is gathered before any is told.
function readOffer(cells) {
  const faults = [];
  const read = (reader, field, empty = null) => {
    const text = cleanText(cells[field]);
    try {
      return text === "" ? empty : reader(field, text);
    } catch (fault) {
      if (!(fault instanceof Refusal)) throw fault;
      faults.push(fault);
      return null;
    }
  };
  const offer = { signs: new Map() };
  for (const field of ["offer", "family", "model", "kind", "lot"]) offer[field] = read(readName, field);
  if (offer.offer === null && !faults.length) faults.push(new Refusal("offer", "Every offer needs a label."));
  offer.workingPrice = read(readMoney, "working_price", NaN);
  const [first, last] = ["built_from", "built_to"].map((field) => read(readYear, field, NaN));
  offer.asked = read(readMoney, "asked", NaN);
  offer.lotAsked = read(readMoney, "lot_asked", NaN);
  if (offer.lot === null && offer.lotAsked >= 0) faults.push(new Refusal("lot_asked", "Name the lot that this price is for."));
  offer.seenOn = read(readDay, "seen_on");
  read(readName, "bought");
  const left = read(readName, "left_because");
  if (left !== null && !RULES.left_because.includes(left)) {
    faults.push(new Refusal("left_because", `A reason is one of ${RULES.left_because.join(", ")}.`));
  }
  for (const name of Object.keys(cells)) {
    if (!RULES.columns.includes(name)) offer.signs.set(name, read(readSign, name));
  }
  offer.builtFrom = Number.isNaN(first) ? last : first;
  offer.builtTo = Number.isNaN(last) ? first : last;
  const span = offer.builtTo - offer.builtFrom;
  if (first !== null && last !== null && !Number.isNaN(span) && !(span >= 0 && span <= RULES.longest_window)) {
    const message = `The years must run forwards and span at most ${RULES.longest_window} years.`;
    faults.push(new Refusal("built_to", message));
  }
  if (offer.family === null && offer.model === null && offer.kind === null && !faults.length) {
    faults.push(new Refusal("family", "Type a family or model, or choose a kind."));
  }
  return { offer, faults };
}

// A name that is nearly a known one is refused, unless the offer describes a unit that is new to the ledger.
function askIfNear(offer, column, known) {
  const isDescribed = offer.kind !== null && !Number.isNaN(offer.workingPrice);
  const near = isDescribed && column !== "kind" ? null : nearestName(offer[column], known);
  if (near === null) return;
  const letters = Array.from(near);
  const short = letters.length > 24 ? `${letters.slice(0, 23).join("")}…` : near;
  const anew = column === "kind" ? "leave it out" : "give its kind and its price when working";
  throw new Refusal(column, `Not on record. Is it ${short}? If not, ${anew}.`, near);
}

function findEntry(offer) {
  let { family } = offer;
  const { model, kind } = offer;
  const notes = [];
  if (model !== null) {
    const itsFamily = MODELS.get(model);
    if (itsFamily === undefined && family === null && FAMILIES.has(model)) family = model;
    else if (itsFamily === undefined) {
      if (family === null) askIfNear(offer, "model", [...MODELS.keys(), ...FAMILIES.names]);
      notes.push(`unknown model ${model}`);
    } else if (family !== null && family !== itsFamily) {
      throw new Refusal("family", `The ledger has model ${model} in family ${itsFamily}, not in ${family}.`);
    } else family = itsFamily;
  }
  if (family !== null && FAMILIES.has(family)) {
    const entry = FAMILIES.get(family);
    if (kind !== null && kind !== entry.kind) {
      throw new Refusal("kind", `Family ${family} is of kind ${entry.kind} in the ledger, not ${kind}.`);
    }
    return { entry, notes };
  }
  if (family !== null) {
    askIfNear(offer, "family", [...FAMILIES.names, ...MODELS.keys()]);
    notes.push(`unknown family ${family}`);
  }
  if (kind !== null && KINDS.has(kind)) {
    return { entry: KINDS.get(kind), notes: [...notes, `judged from all of kind ${kind}`] };
  }
  if (kind !== null) {
    askIfNear(offer, "kind", KINDS.names.filter((name) => name !== ""));
    notes.push(`unknown kind ${kind}`);
  }
  return { entry: KINDS.get(""), notes: [...notes, "judged from all kinds"] };
}

function decimalYear(day) {
  const year = Number(day.slice(0, 4));
  const start = Date.UTC(year, 0, 1);
  return year + (Date.parse(`${day}T00:00:00Z`) - start) / (Date.UTC(year + 1, 0, 1) - start);
}

function ageAt(moment, year) {
  return Math.max(Math.floor((moment - (year + 0.5)) * 12 + 0.5) / 12, 1 / 12);
}

// Production years that a unit without a year may have, every so many of a long span.
function assumedYears({ firstYear, lastYear, referenceYear }, seenYear) {
  const last = Math.min(lastYear, seenYear);
  if (Number.isNaN(firstYear) || firstYear > last) return [Math.min(referenceYear, seenYear)];
  const step = Math.ceil((last - firstYear + 1) / RULES.most_years);
  const years = [];
  for (let year = firstYear + Math.floor((step - 1) / 2); year < last + 1; year += step) years.push(year);
  return years;
}

function readUnit(offer, entry, day) {
  const seenOn = offer.seenOn ?? day;
  const seenYear = Number(seenOn.slice(0, 4));
  const notes = [];
  const { builtFrom: first, builtTo: last } = offer;
  let years = [];
  if (Number.isNaN(first)) {
    years = assumedYears(entry, seenYear);
    const latest = Math.min(entry.lastYear, seenYear);
    const span = years.length === 1 ? fixed(years[0], 0) : `${fixed(entry.firstYear, 0)} to ${fixed(latest, 0)}`;
    notes.push(`production year not given, ${span} assumed`);
  } else if (last > seenYear) {
    throw new Refusal("built_to", `Built in ${last}, after the day it was seen (${seenOn}).`);
  }
  for (let year = first; year <= last; year++) years.push(year);
  const moment = decimalYear(seenOn);
  const ages = years.map((year) => ageAt(moment, year));
  if (!Number.isNaN(entry.oldestSeen) && meanAge(ages) > entry.oldestSeen + 1) {
    notes.push(`older than any on record (${fixed(entry.oldestSeen, 0)} years)`);
  }
  const signs = SHARED.signs.map((name) => {
    const seen = offer.signs.get(name);
    return seen === undefined || seen === null ? NaN : Number(seen === "yes");
  });
  for (const [name, seen] of offer.signs) {
    if (seen !== null && !SHARED.signs.includes(name)) notes.push(`sign ${name} is on no record, ignored`);
  }
  const weights = years.map(() => 1 / years.length);
  if (signs.filter((seen) => seen === 1).length > RULES.most_seen) {
    notes.push(`components judged by the ${RULES.most_seen} signs that tell most of them`);
  }
  return { unit: { ages, years, weights, signs, workingPrice: offer.workingPrice }, notes };
}
