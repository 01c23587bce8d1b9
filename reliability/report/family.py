"""The page of one family, which answers: what is one worth to me."""

from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from scipy.special import expit, logit

from reliability.life.curves import DAYS_PER_YEAR, NOT_KNOWN
from reliability.life.curves import comebacks as comebacks_of
from reliability.life.weibull import ANOTHER, FAIR
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.format import HARD_SPACE, listed
from reliability.report.lives import BEYOND_YEARS, NO_STEPS
from reliability.report.show import Shown, show
from reliability.worth.bench import read_bench
from reliability.worth.judging import standing_notes, verdict_row
from reliability.worth.lives import FALSE_CHANGES
from reliability.worth.plan import Plan
from reliability.worth.recalibration import practice, written_up
from reliability.worth.review import explain

FEW = 10
"""Below this many jobs a share of them says little (common practice, no source)."""

APART = 0.03
"""Record and forecast that lie closer than this need no reason; a reason must make a third of that."""

AGEING_P = 0.05
"""Below this p-value the risk is said to change with age (common practice)."""

FEWEST_CHECKED = 5
"""Units asked after, below which a curve of comebacks draws chance (common practice, no source)."""


# ---- The answer


def answer(report: ReportData, family: str) -> Shown:
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
    return show(
        report,
        "family",
        "answer",
        **prices,
        about=report.records.families.set_index("family").loc[family],
        family=family,
        row=row,
        entry=entry,
        jobs=jobs,
        is_few=entry.jobs_seen < FEW,
        notes=standing_notes(entry, report.odds.tally),
        reasons=reasons(report, family) if abs(gap) >= APART else [],
        was_bought=family in set(bought["family"]),
        tied=(tied, whole.max() / 100),
        ended=list(by.sort_values(ascending=False, kind="stable").head(3).items()),
    )


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
        **_season(own, report),
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


def _season(own: pd.DataFrame, report: ReportData) -> dict[str, float]:
    """How far repairs of the whole bench in the last two years lie from those before, where that is shown."""
    recent = own["taken_in"] > pd.Timestamp(report.as_of) - pd.DateOffset(years=2)
    repaired = own["outcome"] == "repaired"
    now, before = repaired[recent], repaired[~recent]
    if min(len(now), len(before)) < FEW:
        return {}
    apart = float(now.mean() - before.mean())
    spread = np.sqrt(repaired.mean() * (1 - repaired.mean()) * (1 / len(now) + 1 / len(before)))
    if abs(apart) < 1.645 * spread:
        return {}
    way = "fewer" if apart < 0 else "more"
    return {f"this bench repairs {way} of late ({now.sum()} of {len(now)} in two years)": apart}


# ---- The records behind the answer


def brought(report: ReportData, family: str) -> Shown:
    """Draw what each finished job brought."""
    gains = report.gains[(report.gains["family"] == family) & report.gains["gain"].notna()]
    if gains.empty:
        return Shown("")
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
    return show(report, "family", "brought", key=key, drawn=drawn, each=figures.per_dot(dots, scale))


def components(report: ReportData, family: str) -> Shown:
    """Say component by component what is wrong with one, and whether it matters."""
    age, seen = report.usual_age(family), report.own.table[report.own.table["family"] == family]
    met = np.average(seen["age_years"], weights=seen["weight"]) if len(seen) else np.nan
    met = met if abs(age - met) >= 1 else np.nan  # told only where it is another age
    return show(report, "family", "components", frame=report.components(family), age=age, met=met)


# ---- What a doubter wants, and what one takes to the bench: behind folds


def plan(report: ReportData, found: Plan) -> Shown:
    """Say in what order to look at the components, and where to stop."""
    looks = format.coarse(found.moves[found.moves["move"] == "look at"], "failed", "ends_job")
    return show(report, "family", "plan", looks=looks, found=found)


def lives(report: ReportData, family: str) -> Shown:
    """Draw the share failed by age: a Weibull curve over its model-free twin, and the odds' own curve."""
    own = report.own_lives(family)
    order = report.components(family)["component"]
    frame = own.summary.set_index("component").reindex(order[order.isin(own.summary["component"])])
    frame = frame.reset_index()
    has_curve = frame["is_drawn"].fillna(False).astype(bool) & (frame["status"] == "ok")
    last = np.nanmax([own.last_age, report.usual_age(family) + BEYOND_YEARS])
    pooled, pictures = report.failed_by_age(family, np.linspace(0, last, 26)), []
    for row in frame[has_curve].itertuples():
        says = f"{row.n_failed:.0f} failed, {row.n_sound:.0f} still worked. {half_failed(row)}"
        model, told = own.model[own.model["component"] == row.component], format.capital(row.component)
        alt = f"Share of {row.component} failed by age. {says}"
        pictures.append(
            life_curve(report, family, row.component, pooled, model=model, title=told, alt=alt, says=says)
        )
    curve = {FAIR: "A Weibull curve is a fair summary", ANOTHER: "A {} curve fits better"}
    checks: dict[str, list[tuple[str, str]]] = {}
    for component in frame.loc[has_curve, "component"]:
        check = own.checks[component]
        fits = curve.get(check.verdict, "Too few to tell which curve fits best").format(check.best)
        way = "grow" if check.shape > 1 else "fall"
        ageing = "is not shown to change" if check.ageing_p > AGEING_P else f"is shown to {way}"
        p = f" (p = {check.ageing_p:.2g})".replace(" ", HARD_SPACE)
        checks.setdefault(fits, []).append((component, ""))
        checks.setdefault(f"The risk {ageing} with age", []).append((component, p))
    rest = frame.loc[~has_curve, ["component", "fit_says"]].itertuples(index=False, name=None)
    return show(
        report, "family", "lives", n_seen=len(frame), pictures=pictures, rest=list(rest), checks=checks
    )


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


def years(report: ReportData, family: str) -> Shown:
    """Say what production years have to do with it, and draw the records that tell."""
    found = report.changes[report.changes["family"] == family].sort_values("component")
    of = {status: list(rows["component"]) for status, rows in found.groupby("status")}
    called, said, pictures = called_changes(found), [], []
    table = report.own.table
    # Records of one known year as marks.
    dated = table[~table["record"].duplicated(keep=False) & (table["family"] == family)]
    marks = dated[["component", "year"]].assign(
        age_years=dated["age_years"].round(), is_failed=np.isfinite(dated["upper"])
    )
    marks = marks.value_counts(sort=False).rename("count").reset_index()
    for row in called.itertuples():
        title, here = format.capital(row.component), marks[marks["component"] == row.component]
        said.append(f"{title}: {_change(row, here)}")
        words = {"title": title, "alt": said[-1], "says": "Records of a known year."}
        pictures.append(figures.years(here, change_year=row.change_year, **words))
    others = [each for each in of.get("ok", []) if each not in set(called["component"])]
    if others:
        said.append(f"No change is shown in the {listed(others)}.")
    if mixed := of.get("cannot tell ageing from vintage"):
        said.append(f"Nothing can be told of the {listed(mixed)}: age and production year go together there.")
    if few := of.get("too few records"):
        said.append(f"Too few records of a known year: {listed(few)}.")
    named = "; ".join(f"{row.component} from {row.change_year:.0f} on" for row in called.itertuples())
    nothing = "nothing stands out" if "ok" in of else "nothing can be told"
    summary = f"Production years: {named or nothing}"
    return show(report, "family", "years", summary=summary, said=said, pictures=pictures)


def called_changes(found: pd.DataFrame) -> pd.DataFrame:
    """Keep what is called a change of a production year, the clearest first."""
    called = found[(found["status"] == "ok") & (found["q_value"] <= FALSE_CHANGES)]
    return called.sort_values("q_value")


def _change(row: Any, marks: pd.DataFrame) -> str:
    """Say what a change of production year amounts to, in counts and at one age."""
    later, failed = marks["year"] >= row.change_year, marks["count"].where(marks["is_failed"], 0)
    after, before = (f"{failed[some].sum()} of {marks.loc[some, 'count'].sum()}" for some in (later, ~later))
    said = f"{after} failed in units built from {row.change_year:.0f} on, {before} in earlier ones."
    if format.is_known(row.reference_age_years):
        return said
    return f"{said} The two were never seen at one age, so part of it may be ageing."


def back(report: ReportData, family: str) -> Shown:
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
    return show(
        report,
        "family",
        "back",
        asked=asked,
        came=int(np.isfinite(upper).sum()),
        causes=sorted(causes.items()),
        repaired=int((_finished(report, family)["outcome"] == "repaired").sum()),
        low=low[0],
        high=high[0],
        curve=curve,
        watched=np.where(np.isfinite(upper), upper, lower),  # the last that was heard of each unit
    )


def jobs(report: ReportData, family: str) -> Shown:
    """List all jobs of this bench, the newest first, each with what had failed."""
    frame, findings = report.jobs[report.jobs["family"] == family], report.records.findings
    frame = frame.sort_values(["taken_in", "job"], ascending=False)
    frame = frame.merge(report.gains[["job", "gain", "predicted"]], how="left", on="job")
    failed = findings[findings["found"] == "failed"].groupby("job")["component"].unique()
    frame["parts"] = [sorted(set(failed.get(row.job, ())) - {row.ended_by}) for row in frame.itertuples()]
    frame["is_examined"] = frame["job"].isin(findings["job"])
    return show(report, "family", "jobs", frame=frame)


def basis(report: ReportData, family: str) -> Shown:
    """Say what the odds take from the records and what from belief, and how they did so far."""
    appraisal, own, judged = (
        report.explained(family).appraisal,
        _finished(report, family),
        report.calibration.jobs,
    )
    judged = judged[judged["family"] == family]
    return show(
        report,
        "family",
        "basis",
        entry=report.odds.families[family],
        chain=float(appraisal.states.success.mean()),
        chance=float(appraisal.success.mean()),
        own=own,
        examined=int(own["job"].isin(report.records.findings["job"]).sum()),
        judged=judged,
        forecast=judged["success_chance"].astype(float).sum(),
        repaired=int(judged["repaired"].sum()),
    )
