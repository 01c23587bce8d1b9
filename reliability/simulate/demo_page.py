"""The page beside the demo: that it is invented, how it was made, what is true in it."""

from reliability.simulate.demo_offers import OFFERS
from reliability.simulate.fleet import truth_row
from reliability.simulate.recorder import Row
from reliability.simulate.truth import appraise
from reliability.simulate.world import Family, World, decimal_year

PAGE = """# The demo: a workshop that does not exist

Everything in this folder is invented: the harbour town of Skerrowhaven, its workshop with three
benches, makers, models, prices and people. It shows what a ledger of the documented tables looks
like after eight years, and gives the reports something to report. Any likeness to a real maker or
model would be chance. Lives, hours and prices are common practice, no source.

The files are written by

    python -m reliability.simulate demo --out data/demo

from a fixed seed; the same command gives the same bytes. `offers.csv` holds units on offer after
the last job, plain ones and awkward ones, for `benchodds judge data/demo/offers.csv --out verdicts.csv`.

The ledger holds {finished} finished jobs and {unfinished} open ones from {first} to {last}. The numbers have
{lost} gaps: jobs that nobody wrote up, {lost_repaired} of them repaired. One job in four was written by a
careless hand that leaves out sound parts, hours and costs.

## What is true of the families

For a unit of unknown year at which nobody has looked, at the end of the ledger: the chance of a
repair, what the unit is worth in EUR if it costs nothing, the price usually asked, the gain to be
expected at it (an hour counts {hour_rate} EUR, selling costs a tenth), and the components that most
often end the job.

| family | kind | jobs | chance | worth | asked | gain | ends the job |
|---|---|---:|---:|---:|---:|---:|---|
{families}

## What there is to find

- **Pellowick 22**: from {change_year} on the cam gear is of a softer material. By now
  {early} of the gears made before have failed, and {late} of those made since; there are no
  new ones. Units built before are worth taking, later ones are not.
- **Yarrowen C7**: the gears crumble ({crumbs} have failed) and cannot be had.
- **Tavisk 100**: the laser could be bought until the autumn of 2019. Repairs before that say
  little about today.
- **Tavisk 700**: a laser costs about what the working unit fetches. The bench gives up, rightly.
- **Hulverby B1** can mostly be repaired and still loses money: parts and time eat the price.
- **Obbelin 550** and **Pellowick R40** are dear and worth it; the owner's estimates of some prices
  are off, and prices have drifted by up to {drift} a year.
- **Ploverine 2020**: output modules are dear and scarce, and push buttons die under the hand.
- **Obbelin R9** has never been on the bench; it is like the other receivers.
- **Disc players** are the weak kind.
- About {damp} of all units were stored damp. That shortens the lives of most components at once
  and lowers the price; rust and a damp store tell of it, not always.
- Signs have false alarms and misses, and often nobody looked. Years are known, known as a window,
  guessed (one guess in five is wrong) or unknown.
- Parts that look original are not always; the two sides of a receiver often fail together.
- Some seasons go better than others, and the bench slowly learns.
- Hearsay: what is said of the gears of Yarrowen C7 and of Ploverine P5 is about right. "The
  gears of Pellowick 22 never fail" and "half of the Obbelin R9 cannot be saved" are wrong.

## What is true of the offers

Given what each offer shows: the chance of a repair, the price at which the expected gain is the
{margin} EUR that a job must promise, and the component most likely to end it. Offers of families that
the ledger does not know have no truth here.

| offer | family | asked | chance | worth up to | chief risk |
|---|---|---:|---:|---:|---|
{offers}
"""


def demo_page(world: World, rows: dict[str, list[Row]], unwritten: tuple[int, int]) -> str:
    """Fill the page from the truth of the world and the rows that were drawn."""
    when = decimal_year(world.end)
    late, crumbs = world.family("Pellowick 22"), world.family("Yarrowen C7")
    change = late.part("gear").change_year or late.first_year
    jobs = rows["jobs"]
    return PAGE.format(
        finished=sum(job["outcome"] != "open" for job in jobs),
        unfinished=sum(job["outcome"] == "open" for job in jobs),
        first=str(jobs[0]["taken_in"])[:7],
        last=world.end.isoformat()[:7],
        lost=unwritten[0],
        lost_repaired=unwritten[1],
        hour_rate=f"{world.amount('hour_rate'):g}",
        margin=f"{world.amount('margin'):g}",
        offers="\n".join(_offer_lines(world)),
        families="\n".join(_family_line(world, family, jobs, when) for family in world.families),
        change_year=change,
        early=_failed(late, "gear", range(late.first_year, change), when),
        late=_failed(late, "gear", range(change, late.last_year + 1), when),
        crumbs=_failed(crumbs, "gear", crumbs.years, when),
        drift=f"{max(abs(family.drift) for family in world.families):.1%}",
        damp=f"{world.families[0].damp_share:.0%}",
    )


def _family_line(world: World, family: Family, jobs: list[Row], when: float) -> str:
    truth = appraise(world, family, when=when)
    finished = sum(job["family"] == family.name and job["outcome"] != "open" for job in jobs)
    worst = sorted(truth.ends_by.items(), key=lambda item: -item[1])[:2]
    ends = ", ".join(f"{name} {chance:.0%}" for name, chance in worst)
    money = f"{truth.worth:.0f} | {family.ask:.0f} | {truth.worth - family.ask:.0f}"
    return f"| {family.name} | {family.kind} | {finished} | {truth.success:.0%} | {money} | {ends} |"


def _offer_lines(world: World) -> list[str]:
    families = {family.name: family for family in world.families}
    families |= {model: family for family in world.families for model in family.models}
    lines = []
    for offer in OFFERS:
        family = families.get(str(offer["family"] or offer["model"]))
        if family:
            truth = truth_row(world, offer, family, None)
            asked = "" if offer["asked"] is None else f"{offer['asked']:g}"
            money = f"{asked} | {truth['success_chance']:.0%} | {truth['ceiling']:.0f}"
            lines.append(f"| {offer['offer']} | {family.name} | {money} | {truth['chief_risk']} |")
    return lines


def _failed(family: Family, component: str, years: range | tuple[int, ...], when: float) -> str:
    """Share of the original parts built in `years` that have failed, over all storage."""
    part, damp = family.part(component), family.damp_share
    shares = [
        (1 - damp) * part.failed_by(year, when, False) + damp * part.failed_by(year, when, True)
        for year in years
    ]
    return f"{sum(shares) / len(shares):.0%}"
