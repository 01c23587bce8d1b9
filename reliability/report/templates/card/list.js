// The list of families, judged again by the form's arithmetic where the form speaks for another day.

const USUAL = new Map(Object.entries(BENCH.usual));
let listed = BENCH.day;

// A family at a time, with a rest after it in which the form has its turn; all are shown at once.
async function relist(day) {
  if (day === listed) return;
  listed = day;
  const judged = [];
  for (const row of document.querySelectorAll("#list tbody tr:not(.group)")) {
    const family = row.querySelector("bdi").textContent;
    const entry = FAMILIES.get(family);
    const { unit } = readUnit(readOffer({ offer: family, family }).offer, entry, day);
    judged.push([row, verdictRow(entry, appraise(entry, unit), USUAL.get(family) ?? NaN)]);
    await new Promise((goOn) => setTimeout(goOn, 50));
    if (day !== listed) return;
  }
  for (const [row, verdict] of judged) showRow(row, verdict);
  document.getElementById("list-day").textContent = day;
}

function showRow(row, verdict) {
  const [, ceiling, , repair, loses] = row.cells;
  ceiling.textContent = ceilingWords(verdict.ceiling);
  repair.textContent = percent(verdict.success_chance);
  if (verdict.verdict !== null) loses.textContent = percent(verdict.chance_of_loss);
  const before = row.parentElement;
  const group = document.querySelector(`#list tbody.${toneOf(verdict.verdict)}`);
  if (group === before) return;
  const nameIn = (each) => fold(each.querySelector("bdi").textContent);
  const next = [...group.rows].slice(1).find((other) => nameIn(other) > nameIn(row));
  group.insertBefore(row, next ?? null);
  for (const each of [before, group]) each.hidden = each.rows.length < 2;
}
