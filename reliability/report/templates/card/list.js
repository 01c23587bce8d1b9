// The list of families, judged again by the form's arithmetic where the form speaks for another day.

const USUAL = new Map(Object.entries(BENCH.usual));
let listed = BENCH.day;

function relist(day) {
  if (day === listed) return;
  listed = day;
  judgeRows([...document.querySelectorAll("#list tbody tr:not(.group)")], day, []);
}

// A family at a time, with a rest after it in which the form has its turn; all are shown at once.
function judgeRows(waiting, day, judged) {
  if (day !== listed) return;
  const row = waiting.pop();
  if (!row) {
    for (const [at, verdict] of judged) showRow(at, verdict);
    document.getElementById("list-day").textContent = day;
    return;
  }
  const family = row.querySelector("bdi").textContent;
  const entry = FAMILIES.get(family);
  const { unit } = readUnit(readOffer({ offer: family, family }).offer, entry, day);
  judged.push([row, verdictRow(entry, appraise(entry, unit), USUAL.get(family) ?? NaN)]);
  setTimeout(judgeRows, 50, waiting, day, judged);
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
