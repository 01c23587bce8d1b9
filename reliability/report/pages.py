"""What the pages say, part by part: the content of each, which its template sets."""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from scipy.special import expit, logit

from reliability.life.curves import DAYS_PER_YEAR, NOT_KNOWN
from reliability.life.curves import comebacks as comebacks_of
from reliability.records.audit import LONG_OPEN_DAYS, doubts
from reliability.records.frames import plain_rows
from reliability.records.tables import TABLES
from reliability.records.values import exponent_of, read_value
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.format import listed
from reliability.report.lives import BEYOND_YEARS, NO_STEPS
from reliability.report.run import CARD
from reliability.report.show import Shown, show
from reliability.worth.bench import read_bench
from reliability.worth.judging import gaps_notes, standing_notes, verdict_row
from reliability.worth.lives import FALSE_CHANGES
from reliability.worth.next_steps import LONG_UNSOLD_DAYS, on_hand, to_do
from reliability.worth.recalibration import practice, written_up
from reliability.worth.regression import share_interval
from reliability.worth.review import explain

Content = dict[str, Any]
"""What the block of a template is given."""


def part(report: ReportData, page: str, name: str, /, **given: Any) -> Shown:
    """Set one part of a page from what is given, and what the function of its name below makes of that."""
    work_out = globals().get(f"{page}_{name}", lambda *_, **__: {})
    shown = show(report, page, name, **{**given, **work_out(report, **given)})
    # Pages have a mark of their own; the answer is what a notebook shows first.
    return replace(shown, is_demo=name == "answer" and not report.records.ledger)


# ---- The first page: what to take, up to what; what changed, and what waits


_LEAST_MOVE = 0.1
"""A ceiling that moved by less, as a share of itself or of the price usually paid, is not told."""


def index_verdicts(report: ReportData, frame: pd.DataFrame) -> Content:
    """Set a ranking in one table that is one figure: grouped by verdict, the best first."""
    repaired = report.gains.loc[report.gains["outcome"] == "repaired", "family"].value_counts()
    judged = frame.assign(repaired=frame["family"].map(repaired).fillna(0).astype(int))
    judged = judged[judged["verdict"].notna()]
    priced = report.ranking.loc[report.ranking["usual_price"].notna(), "family"]
    bought = set(report.jobs.dropna(subset="bought_for")["family"])
    return {
        "judged": judged,
        "scale": figures.scale_of(*judged["usual_price"], *judged["ceiling"].clip(lower=0)),
        "unjudged": list(frame.loc[frame["verdict"].isna(), "family"]),
        "unbought": [each for each in priced if each not in bought],
        "notes": gaps_notes(report.odds.tally),
        "card": CARD,
    }


def index_changed(report: ReportData) -> Content:
    """Say which verdicts changed since the first of a month, and which ceilings moved far."""
    new = report.gains[report.gains["closed"] >= pd.Timestamp(report.since)]["family"].value_counts()
    both = report.ranking.merge(
        report.ranking_before[["family", "verdict", "ceiling"]], on="family", suffixes=("", "_then")
    )
    # Below nothing there is no price to go up to, so no move to tell.
    now, then = (both[each].clip(lower=0.0) for each in ("ceiling", "ceiling_then"))
    other = both["verdict"].fillna("") != both["verdict_then"].fillna("")
    far = (now - then).abs() > _LEAST_MOVE * np.fmax(then, both["usual_price"])
    moves = both.assign(new=both["family"].map(new).fillna(0).astype(int))[other | far]
    return {"new": int(new.sum()), "other": int(other.sum()), "moves": moves, "least": _LEAST_MOVE}


def index_waiting(report: ReportData) -> Content:
    """List what waits: units that tie up money, checks due, numbers and prices that are missing."""
    rows = to_do(report.records, report.odds, report.as_of)
    tasks = dict(list(rows.groupby("task", sort=False)))
    days = {"long_open": LONG_OPEN_DAYS, "long_unsold": LONG_UNSOLD_DAYS}
    seen = report.records.sightings
    undecided = seen[seen["job"].isna() & seen["left_because"].isna()]
    names = list(undecided["family"].fillna(undecided["model"]).fillna(undecided["kind"]))
    return {"tasks": tasks, "undecided": names, **days}


# ---- The whole fleet: what goes wrong, what it costs, whether the odds were right


OUTCOMES = ("repaired", "sold as is", "donor", "scrapped")
_BINS = 10


def _lost(report: ReportData) -> pd.DataFrame:
    """Add up the gain of the jobs that each component ended: component, gain, jobs; the dearest first."""
    ended = report.records.jobs.set_index("job")["ended_by"]
    jobs = report.gains.assign(component=report.gains["job"].map(ended)).dropna(subset=["component", "gain"])
    by = jobs.groupby("component", as_index=False).agg(gain=("gain", "sum"), jobs=("gain", "size"))
    return by.sort_values(["gain", "component"], ignore_index=True)


def fleet_answer(report: ReportData) -> Content:
    """Name the components that cost most, and say whether the odds were right."""
    lost = _lost(report)
    worst, failed = lost[lost["gain"] < 0].head(3), report.gains[report.gains["outcome"] != "repaired"]
    # Jobs that name no component may have lost more.
    told = failed["gain"].sum() - lost["gain"].sum() >= worst["gain"].sum()
    return {"worst": worst, "told": told}


def fleet_cost(report: ReportData) -> Content:
    """Show the money lost in the jobs that each component ended."""
    lost, jobs = _lost(report), report.gains
    failed = jobs[(jobs["outcome"] != "repaired") & jobs["gain"].notna()]
    return {"lost": lost, "failed": failed, "scale": figures.scale_of(*lost["gain"])}


def fleet_faults(report: ReportData) -> Content:
    """Map what has failed by today: family by component, with the records behind each chance."""
    # One order of components on this page: by what they cost, then by name.
    dear = [each for each in _lost(report)["component"] if each in report.component_pages]
    components = [*dear, *(each for each in report.component_pages if each not in dear)]
    families = list(report.ranking.sort_values("kind", kind="stable")["family"])
    failed = pd.DataFrame(index=families, columns=components, dtype=float)
    for family in families:
        found = report.explained(family).components.set_index("component")["failed"]
        failed.loc[family] = found.reindex(components).to_numpy()
    seen = report.own.table.drop_duplicates("record").value_counts(["family", "component"])
    records = seen.unstack(fill_value=0).reindex(index=families, columns=components, fill_value=0)
    return {
        "failed": format.coarse(failed, *components),
        "records": records,
        "most": int(records.to_numpy().max(initial=1)),
        "kinds": report.records.families.set_index("family")["kind"],
    }


def fleet_forecasts(report: ReportData) -> Content:
    """Check forecasts against what came of them; the scores behind a fold."""
    found = report.calibration
    chance, repaired = (found.jobs[each].to_numpy(float) for each in ("success_chance", "repaired"))
    at = np.minimum((chance * _BINS).astype(int), _BINS - 1)
    by = pd.DataFrame({"forecast": chance, "repaired": repaired}).groupby(at)
    groups = by.agg(jobs=("forecast", "size"), forecast=("forecast", "mean"), repaired=("repaired", "sum"))
    groups = groups.astype({"repaired": int})
    low, high = share_interval(groups["repaired"], groups["jobs"])
    radius = (2.5 + 5.0 * np.sqrt(groups["jobs"] / groups["jobs"].max())).round(1)
    return {
        "found": found,
        "groups": groups.assign(share=groups["repaired"] / groups["jobs"], low=low, high=high, radius=radius),
        "repaired": repaired.sum(),
        "forecast": chance.sum(),
        # Independent jobs; a common error of the odds would make the sum vary more.
        "apart": 1.96 * float(np.sqrt((chance * (1 - chance)).sum())),
    }


def fleet_years(report: ReportData) -> Content:
    """Stack the outcomes of each year."""
    year = report.gains["closed"].dt.year
    counts = pd.crosstab(year, report.gains["outcome"]).reindex(columns=list(OUTCOMES), fill_value=0)
    if len(year):
        counts = counts.reindex(range(year.min(), year.max() + 1), fill_value=0)
    counts = counts.rename(columns={"sold as is": "sold_as_is"}).assign(
        year=counts.index, jobs=counts.sum(axis=1)
    )
    parts = [f"part {look}" for look in figures.PARTS]
    return {"counts": counts, "key": dict(zip(parts, OUTCOMES, strict=True))}


# ---- One family: what is one worth to me


FEW = 10
"""Below this many jobs a share of them says little (common practice, no source)."""

APART = 0.03
"""Record and forecast that lie closer than this need no reason; a reason must make a third of that."""

FEWEST_CHECKED = 5
"""Units asked after, below which a curve of comebacks draws chance (common practice, no source)."""


# ---- The answer


def family_answer(report: ReportData, family: str) -> Content:
    """Say what to do when one is offered, and the three numbers that decide it."""
    row, entry = report.ranking.set_index("family").loc[family], report.odds.families[family]
    jobs, bought = _finished(report, family), report.jobs.dropna(subset="bought_for")
    # Prices up to which to take and to haggle, in whole money; NaN below nothing, or where not known.
    ceiling = float(row["ceiling"]) if row["ceiling"] >= 0 else np.nan
    up, top = (float(np.floor(each)) for each in (ceiling, ceiling * (1 + report.odds.terms.haggle_room)))
    # Told at the price usually paid, else at the highest price to take it.
    price, told = row["usual_price"] if format.is_known(row["usual_price"]) else up, None
    if format.is_known(row["ceiling"]) and format.is_known(price):
        told = verdict_row(entry, report.explained(family).appraisal, report.odds, price)
    gap = row["success_chance"] - (jobs["outcome"] == "repaired").mean()  # NaN where there is no job
    ends = report.components(family)
    ends = ends[ends["is_named"]].sort_values("ends_job", ascending=False)
    whole = np.floor(100 * ends["ends_job"] + 0.5)
    tied = list(ends.loc[(whole == whole.max()) & (whole > 0), "component"])
    by = jobs.loc[jobs["outcome"] != "repaired", "ended_by"].value_counts().sort_index()
    prices = {"up": up, "top": top, "line": _line(report, family, row, up, top), "told": told}
    return {
        **prices,
        "about": report.records.families.set_index("family").loc[family],
        "row": row,
        "entry": entry,
        "jobs": jobs,
        "is_few": entry.jobs_seen < FEW,
        "notes": standing_notes(entry, report.odds.tally),
        "reasons": reasons(report, family) if abs(gap) >= APART else [],
        "was_bought": family in set(bought["family"]),
        "tied": (tied, whole.max() / 100),
        "ended": list(by.sort_values(ascending=False, kind="stable").head(3).items()),
    }


def _finished(report: ReportData, family: str) -> pd.DataFrame:
    return report.finished[report.finished["family"] == family]


def _line(report: ReportData, family: str, row: Any, up: float, top: float) -> str:
    """Draw what to do at each price, with every unit that was bought."""
    currency, paid = report.currency, float(row["usual_price"])
    if np.isnan(row["ceiling"]):
        return ""
    gains = report.gains[report.gains["family"] == family]
    bought = gains[~gains["predicted"].astype(str).str.contains("purchase") & gains["gain"].notna()]
    gained = bought["gain"] > 0
    dots = pd.DataFrame({"value": bought["bought_for"], "dot": np.where(gained, "full", "open other")})
    # Of a verdict to try one only so much is known as that it holds at the price usually paid.
    founded = report.odds.families[family].kind_jobs > 0
    zones = [*([("take", up), ("haggle", top)] if founded else [("try one", up)])] if up >= 1 else []
    zones += [("try one", paid)] if row["verdict"] == "try one" else []
    spans = "".join(f"{verdict} up to {end:.0f}; " for verdict, end in zones)
    usual = f" Usually paid: {format.money(paid, currency)}." if format.is_known(paid) else ""
    n = len(dots)
    told = f"{format.counted(n, 'unit')} bought, {gained.sum()} of them gained."
    scale = figures.scale_of(1.15 * top, paid, *dots["value"])
    drawn = figures.dots(
        dots,
        scale,
        currency=currency,
        alt=f"Prices in {currency}: {spans}skip above.{usual} {told}",
        zones=[*zones, ("skip", np.inf)],
        paid=paid,
    )
    if not n:
        return drawn
    each = figures.per_dot(dots, scale)
    one = "a unit bought" if each == 1 else f"up to {each} units bought"
    lost = f"it lost ({(~gained).sum()} of {n})"
    return drawn + figures.key({"full": f"{one}, and the job gained", "open other": lost})


def reasons(report: ReportData, family: str) -> list[str]:
    """Say what sets the forecast apart from the share repaired so far: only what the numbers bear out."""
    jobs, entry, own = _finished(report, family), report.odds.families[family], report.finished
    chance = float(report.explained(family).appraisal.success.mean())
    gap = chance - float((jobs["outcome"] == "repaired").mean())
    came = jobs["taken_in"].mean().date()
    then = explain(report.odds, family=family, seen_on=came).appraisal.success.mean()
    bench = read_bench(report.records, report.as_of)
    learned = report.odds.shared.practice * practice(bench, jobs["taken_in"]).mean()
    offset = written_up(bench)[0]
    written = expit(logit(chance) + offset.reindex(jobs["taken_in"].dt.year).fillna(0.0).mean())
    kin = own[own["family"].map(report.records.families.set_index("family")["kind"]) == entry.kind]
    others = kin[kin["family"] != family]["outcome"] == "repaired"
    scarce, lost = _scarce(report, family)
    share = report.records.settings.gap_repaired_share
    gaps = "too" if share else "as failures" if share == 0 else "mostly as failures"
    few = float(others.mean()) - (chance - gap) if len(jobs) < FEW and len(others) else 0.0
    shifts = {
        "units are older now": chance - float(then),
        "the bench has had more practice": chance - float(expit(logit(chance) + learned)),
        f"jobs never written up count {gaps}": chance - float(written),
        f"parts for the {listed(scarce, 'and the')} are hard to get": lost,
        f"{format.counted(len(jobs), 'job says', 'jobs say')} little": few,
    }
    return [said for said, shift in shifts.items() if shift * gap > 0 and abs(shift) >= APART / 3]


def _scarce(report: ReportData, family: str) -> tuple[list[str], float]:
    """Components whose parts cannot be had new, if mended more rarely from here; the chance so lost."""
    parts = report.records.parts.fillna({"family": ""})
    told = parts[parts["family"].isin(["", family])].sort_values("family")  # the family's own outvotes
    obtainable = told.drop_duplicates("component", keep="last").set_index("component")["obtainable"]
    frame = report.components(family)
    frame = frame[(frame["component"].map(obtainable).fillna("yes") != "yes") & (frame["tried"] > 0)]
    lost = frame["failed"] * (frame["repairable"] - frame["mended"] / frame["tried"])
    return list(frame.loc[lost < 0, "component"]), float(lost[lost < 0].sum())


# ---- The records behind the answer


def family_brought(report: ReportData, family: str) -> Content:
    """Draw what each finished job brought."""
    gains = report.gains[(report.gains["family"] == family) & report.gains["gain"].notna()]
    repaired, is_sure = gains["outcome"] == "repaired", gains["predicted"] == ""
    dot = np.select([repaired & is_sure, repaired, is_sure], ["full", "open", "other"], "open other")
    dots = pd.DataFrame({"value": gains["gain"], "dot": dot})
    scale, key = figures.scale_of(*dots["value"]), {}
    for mark, which, here in (("full", "repaired", repaired), ("other", "not repaired", ~repaired)):
        if here.any():
            half = ", half of them above " if here.sum() > 1 else ": "
            middle = format.money(gains.loc[here, "gain"].median(), report.currency)
            key[mark] = f"{here.sum()} {which}{half}{middle}"
    alt = f"Gain of each finished job: {'; '.join(key.values())}."
    if not is_sure.all():
        key["open"] = "open marks: part of it is predicted"
    drawn = figures.dots(dots, scale, currency=report.currency, alt=alt)
    return {"key": key, "drawn": drawn, "each": figures.per_dot(dots, scale)}


def family_components(report: ReportData, family: str) -> Content:
    """Say component by component what is wrong with one, and whether it matters."""
    age, seen = report.usual_age(family), report.own.table[report.own.table["family"] == family]
    met = np.average(seen["age_years"], weights=seen["weight"]) if len(seen) else np.nan
    met = met if abs(age - met) >= 1 else np.nan  # told only where it is another age
    return {"frame": report.components(family), "age": age, "met": met}


# ---- What a doubter wants, and what one takes to the bench: behind folds


def family_lives(report: ReportData, family: str) -> Content:
    """Draw the share failed by age: a Weibull curve over its model-free twin, and the odds' own curve."""
    own = report.own_lives(family)
    order = report.components(family)["component"]
    frame = own.summary.set_index("component").reindex(order[order.isin(own.summary["component"])])
    frame = frame.reset_index()
    has_curve = frame["component"].isin(list(own.model))
    last = np.nanmax([own.last_age, report.usual_age(family) + BEYOND_YEARS])
    pooled, pictures = report.failed_by_age(family, np.linspace(0, last, 26)), []
    for row in frame[has_curve].itertuples():
        says = f"{row.n_failed:.0f} failed, {row.n_sound:.0f} still worked. {half_failed(row)}"
        model, told = own.model[row.component], format.capital(row.component)
        alt = f"Share of {row.component} failed by age. {says}"
        pictures.append(
            life_curve(report, family, row.component, pooled, model=model, title=told, alt=alt, says=says)
        )
    checks = {each: own.checks[each] for each in frame.loc[has_curve, "component"]}
    return {"n_seen": len(frame), "pictures": pictures, "rest": frame[~has_curve], "checks": checks}


def life_curve(report: ReportData, family: str, component: str, pooled: pd.DataFrame, **more: Any) -> Markup:
    """Draw the share failed by age: of a family's own records, and as the odds have it."""
    own = report.own_lives(family)
    marks = own.marks[own.marks["component"] == component]
    return figures.life_curve(
        steps=own.steps.get(component, NO_STEPS),
        marks=marks,
        pooled=pooled[pooled["component"] == component],
        last_record=float(marks["age_years"].max()) if len(marks) else 0.0,
        today_years=report.usual_age(family),
        **more,
    )


def half_failed(row: Any) -> str:
    """Say by what age half have failed; beyond the oldest record only that it is not before."""
    if format.is_known(row.b50_years) and row.b50_years <= row.oldest_years:
        return f"Half had failed by about {format.years(row.b50_years)}."
    first = min(row.b50_low, row.oldest_years) if format.is_known(row.b50_low) else row.oldest_years
    if first < 0.5:
        return "By what age half have failed cannot be told."
    return f"Half failed: not before {first:.0f}; more cannot be told."


def family_years(report: ReportData, family: str) -> Content:
    """Say what production years have to do with it, and draw the records that tell."""
    found = report.changes[report.changes["family"] == family].sort_values("component")
    of = {status: list(rows["component"]) for status, rows in found.groupby("status")}
    called, table = called_changes(found), report.own.table
    # Records of one known year as marks.
    dated = table[~table["record"].duplicated(keep=False) & (table["family"] == family)]
    ages, is_failed = dated["age_years"].round(), np.isfinite(dated["upper"])
    marks = dated[["component", "year"]].assign(age_years=ages, is_failed=is_failed)
    marks = marks.value_counts(sort=False).rename("count").reset_index()
    others = [each for each in of.get("ok", []) if each not in set(called["component"])]
    return {"of": of, "called": called, "others": others, "marks": marks}


def called_changes(found: pd.DataFrame) -> pd.DataFrame:
    """Keep what is called a change of a production year, the clearest first."""
    called = found[(found["status"] == "ok") & (found["q_value"] <= FALSE_CHANGES)]
    return called.sort_values("q_value")


def family_back(report: ReportData, family: str) -> Content:
    """Say how many repaired units came back, of how many that somebody asked after."""
    jobs = report.records.jobs[report.records.jobs["family"] == family]
    checks = report.records.followups[report.records.followups["job"].isin(jobs["job"])]
    found = comebacks_of(jobs, checks, report.as_of)
    upper, lower = (found.table[each].to_numpy(float) for each in ("upper_days", "lower_days"))
    causes = found.table["component"].dropna().replace(NOT_KNOWN, "cause not known").value_counts()
    asked, curve = len(upper), None
    _, low, high = found.within([365.0]) if asked else (None, [None], [None])
    if asked >= FEWEST_CHECKED and found.curve.usable:
        drawn = {each: getattr(found.curve, each) for each in ("failed", "low", "high")}
        curve = pd.DataFrame({"days": found.curve.age_years * DAYS_PER_YEAR, **drawn}).dropna(subset="failed")
    return {
        "asked": asked,
        "came": int(np.isfinite(upper).sum()),
        "causes": sorted(causes.items()),
        "repaired": int((_finished(report, family)["outcome"] == "repaired").sum()),
        "low": low[0],
        "high": high[0],
        "curve": curve,
        "watched": np.where(np.isfinite(upper), upper, lower),  # the last that was heard of each unit
    }


def family_jobs(report: ReportData, family: str) -> Content:
    """List all jobs of this bench, the newest first, each with what had failed."""
    frame, findings = report.jobs[report.jobs["family"] == family], report.records.findings
    frame = frame.sort_values(["taken_in", "job"], ascending=False)
    frame = frame.merge(report.gains[["job", "gain", "predicted"]], how="left", on="job")
    failed = findings[findings["found"] == "failed"].groupby("job")["component"].unique()
    frame["parts"] = [sorted(set(failed.get(row.job, ())) - {row.ended_by}) for row in frame.itertuples()]
    frame["is_examined"] = frame["job"].isin(findings["job"])
    return {"frame": frame}


# ---- One component: should this part scare me


HARMLESS, DREADED = 0.03, 0.10
"""Largest chance of ending a job at which a component need not be feared, and the least at which it should be
(common practice, no source)."""


def families_with(report: ReportData, component: str) -> pd.DataFrame:
    """Families judged by it, whose jobs it ends most first: family, age_years, `ReportData.components`."""
    rows = [
        report.components(family).assign(family=family, age_years=report.usual_age(family))
        for family in report.family_pages
        if component in report.components_of(family)
    ]
    if not rows:
        return pd.DataFrame()
    frame = pd.concat(rows)
    order = ["ends_job", "family"]
    return frame[frame["component"] == component].sort_values(
        order, ascending=[False, True], ignore_index=True
    )


def component_families(report: ReportData, component: str) -> Content:
    """Compare the families; bare counts if none is judged by it."""
    counts = report.counts[report.counts["component"] == component]
    return {"frame": families_with(report, component), "counts": counts}


def component_answer(report: ReportData, component: str) -> Content:
    """Say whether to fear it: how often it fails, what mends it, how many jobs it ended."""
    told = component_families(report, component)
    frame = told["frame"]
    if len(frame):
        worst = frame["ends_job"].max()
        # Families that read alike are named alike.
        alike = frame.loc[frame["ends_job"].map(format.in_hundred) == format.in_hundred(worst), "family"]
        advice = "Do not fear" if worst < HARMLESS else "Mind" if worst < DREADED else "Fear"
        told |= {"worst": worst, "alike": list(alike), "advice": advice}
    return {"few": FEW, **told}


def component_ages(report: ReportData, component: str) -> Content:
    """Draw the share failed by age, family by family on one axis."""
    frame = families_with(report, component)
    if frame.empty:
        return {"pictures": []}
    marks = {each: report.own_lives(each).marks for each in frame["family"]}
    marks = {each: seen[seen["component"] == component] for each, seen in marks.items()}
    ages = [*frame["age_years"], *pd.concat(marks.values())["age_years"], 0.0]
    last = float(np.nanmax(ages)) + BEYOND_YEARS
    pictures = []
    for row in frame.itertuples():
        here = marks[row.family]
        failed, n = int(here["count"].where(here["is_failed"], 0).sum()), int(here["count"].sum())
        says = f"{failed} failed, {n - failed} still worked." if n else "No record."
        today = f"Today, at {format.years(row.age_years)}: {format.share(row.failed)}."
        alt = f"Share of {component} failed by age in {row.family}. {says} {today}"
        pooled = report.failed_by_age(row.family, np.linspace(0, last, 26))
        pictures.append(
            life_curve(report, row.family, component, pooled, title=row.family, alt=alt, says=says)
        )
    return {"pictures": pictures}


def component_years(report: ReportData, component: str) -> Content:
    """Say what production years have to do with it."""
    if not any(component in report.components_of(family) for family in report.family_pages):
        return {"called": None}
    found, shared = report.changes[report.changes["component"] == component], report.odds.shared
    called, answered = called_changes(found), found.loc[found["status"] == "ok", "family"]
    return {
        "called": called,
        "others": sorted(set(answered) - set(called["family"])),
        "n_answered": len(answered),
        "n_untold": len(found) - len(answered),
        "slope": float(np.expm1(shared.year_slope[shared.components.index(component)])),
    }


# ---- Earnings: what the bench earns an hour, month by month, and what money waits in units


_MONTHS = 12


def earnings_answer(report: ReportData) -> Content:
    """Say what the last twelve months earned, and an hour in them."""
    months, beside = _by_month(report).tail(_MONTHS), _beside(report)
    first = months.index[0].start_time if len(months) else pd.Timestamp.max
    rate, waiting, gains = report.records.settings.hour_rate, _waiting(report), report.gains
    return {
        "months": months, "beside": beside[beside.index >= first].sum(), "rate": rate, "waiting": waiting,
        "gains": gains[gains["closed"] >= first],
    }  # fmt: skip


def earnings_months(report: ReportData) -> Content:
    """Show the last twelve months, then all years; every month behind a fold."""
    own, by_month = report.jobs, _by_month(report)
    years = by_month.drop(columns="period").groupby(by_month.index.year).sum() if len(by_month) else by_month
    return {
        "months": by_month,
        "years": years.assign(period=years.index.astype(str)),
        "unpaid": int(own["bought_for"].isna().sum()),
        "undated": int((own["sold_for"].notna() & own["sold_on"].isna()).sum()),
    }


def earnings_waiting(report: ReportData) -> Content:
    """Show the money that waits in unsold and open units."""
    units = _waiting(report)
    unsold, begun = (units[units["state"] == state] for state in ("unsold", "open"))
    late = int((unsold["days"] > LONG_UNSOLD_DAYS).sum())
    return {"unsold": unsold, "open": begun, "late": late, "long": LONG_UNSOLD_DAYS}


def earnings_spent(report: ReportData) -> Content:
    """Add up, year by year, what went out beside the units."""
    jobs, beside = report.gains, _beside(report)
    columns = ["brought", "bought_for", "part_costs", "other_costs", "comeback_costs", "time_cost", "gain"]
    by_year = jobs.groupby(jobs["closed"].dt.year)[columns].sum()
    if len(jobs):
        by_year = by_year.join(beside.groupby(beside.index.year).sum().rename("beside"), how="outer")
    years = by_year.fillna(0.0).iloc[::-1]
    return {"years": years.assign(year=years.index), "has_beside": len(beside) > 0}


def _waiting(report: ReportData) -> pd.DataFrame:
    return on_hand(report.records, report.odds, report.gains, report.as_of)


def _beside(report: ReportData) -> pd.Series:
    """Give what was spent beside the jobs, its hours at their rate, by its day."""
    spent = report.records.spending
    worth = spent["amount"].fillna(0.0) + spent["hours"].fillna(0.0) * report.records.settings.hour_rate
    return worth.set_axis(pd.DatetimeIndex(spent["spent_on"]))


def _by_month(report: ReportData) -> pd.DataFrame:
    """Count by month, from the first to the last: period, bought, sold, jobs, hours, gain.

    Purchases and sales stand in the month of the day on record; hours and gain in that in which the job was
    finished.
    """
    jobs, done = report.jobs, report.gains
    days = pd.concat([jobs["taken_in"], done["closed"], jobs["sold_on"]]).dropna()
    end = pd.Timestamp(report.as_of)
    span = pd.period_range(days.min() if len(days) else end, end, freq="M")[: None if len(days) else 0]
    amounts = {
        "bought": (jobs["bought_for"], jobs["taken_in"]),
        "sold": (jobs["sold_for"], jobs["sold_on"]),
        "jobs": (pd.Series(1, done.index), done["closed"]),
        "hours": (done["hours"], done["closed"]),
        "gain": (done["gain"], done["closed"]),
    }
    sums = {
        each: amount.groupby(day.dt.to_period("M")).sum().reindex(span, fill_value=0.0)
        for each, (amount, day) in amounts.items()
    }
    return pd.DataFrame({"period": span.astype(str), **sums}, index=span)


# ---- The ledger: what is in it, what is doubtful, and what it cannot tell


_MOST_ROWS = 12


def ledger_doubtful(report: ReportData) -> Content:
    """List what the audit finds missing or doubtful, one line for each topic, with the rows."""
    records, rows = report.records, {}
    exponent = exponent_of(records.settings.currency)
    for name, frame in records.frames().items():
        amounts = [column.name for column in TABLES[name] if column.kind == "money"]
        # A share of a lot has more decimals than its currency.
        written = plain_rows(frame.round(dict.fromkeys(amounts, exponent)))
        rows[name] = [{column.name: read_value(column, row[column.name], exponent) for column in TABLES[name]}
                      for row in written]  # fmt: skip
    found = doubts(rows, records.withdrawn, records.settings.count_gaps, report.as_of)
    lines = []
    for topic in dict.fromkeys(each.topic for each in found):
        some = [each for each in found if each.topic == topic]
        messages = list(dict.fromkeys(each.message for each in some))
        where = [row for each in some for row in each.rows]
        says = messages[0] if len(messages) == 1 else f"{where[0]}: {messages[0]}"
        cases, more = max(len(where), len(some)), max(len(where) - _MOST_ROWS, 0)
        lines.append((format.capital(topic), says, cases, where[:_MOST_ROWS], more))
    columns = ["topic", "says", "cases", "where", "more"]
    return {"found": pd.DataFrame(lines, columns=columns)}


def ledger_cannot_tell(report: ReportData) -> Content:
    """Say what no statistic can get out of these records, with the numbers of this ledger."""
    lives, same = report.own.table.drop_duplicates("record"), report.own.same_window
    same = same[same["n_records"] > 1].groupby("family", sort=True)[["first_year", "last_year"]].first()
    one_year = [f"{each.Index} ({format.window(*each[1:])})" for each in same.itertuples()]
    others = []  # verdicts that would be others had nothing been left out, or gaps been jobs
    if report.odds.tally.jobs_missing:
        then, now = (each[["family", "verdict"]] for each in (report.ranking_if_written, report.ranking))
        both = then.merge(now, on="family", suffixes=("_then", "_now"))
        moved = both[both["verdict_then"].fillna("none") != both["verdict_now"].fillna("none")].itertuples()
        others = [f"{each.family} ({each.verdict_then} instead of {each.verdict_now})" for each in moved]
    return {"one_year": one_year, "lives": lives, "others": others}


def ledger_left_out(report: ReportData) -> Content:
    """Count the findings that say nothing about lives, and those that were taken on trust."""
    seen = report.own
    rows = [(reason, n, "left out of the lives") for reason, n in seen.left_out.items() if n]
    rows += [(reason, n, "counted all the same") for reason, n in seen.assumed.items() if n]
    return {"rows": pd.DataFrame(rows, columns=["why", "findings", "treated"])}
