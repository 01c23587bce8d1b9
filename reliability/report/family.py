"""The page of one family, which answers: what is one worth to me."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from reliability.life.curves import DAYS_PER_YEAR, NOT_KNOWN, Comebacks, comebacks
from reliability.life.weibull import ANOTHER, FAIR
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.fleet import expected
from reliability.report.format import HARD_SPACE, Shown, fold, in_hundred, listed, name, paragraph, text
from reliability.report.lives import BEYOND_YEARS
from reliability.worth.bench import read_bench
from reliability.worth.judging import standing_notes, verdict_row
from reliability.worth.plan import Plan
from reliability.worth.recalibration import written_up
from reliability.worth.review import explain

NOT_SOLD = ("donor", "scrapped", "sold as is")
FEW = 10
"""Below this many jobs a share of them says little (common practice, no source)."""

APART = 0.03
"""Record and forecast that lie closer than this need no reason; a reason must make a third of that."""

CALLED = 0.10
"""Largest share of false alarms at which a find is called a change (common practice, no source)."""

AGEING_P = 0.05
"""Below this p-value the risk is said to change with age (common practice)."""

FEWEST_CHECKED = 5
"""Units asked after, below which a curve of comebacks draws chance (common practice, no source)."""


# ---- The answer


def answer(report: ReportData, family: str) -> Shown:
    """Say what to do when one is offered, and the three numbers that decide it."""
    about = report.records.families.set_index("family").loc[family]
    jobs = _finished(report, family)
    described = [
        name(about["kind"]),
        name(about["maker"]) if about["maker"] else "",
        text(format.window(about["first_year"], about["last_year"])),
        format.counted(len(jobs), "finished job"),
    ]
    head = paragraph(" · ".join(each for each in described if each), kind="soft about")
    note = paragraph(text(about["notes"]), kind="note") if about["notes"] else ""
    return Shown(
        f"{head}<h1>{name(family)}</h1>{_verdict(report, family)}{_line(report, family)}"
        f'<div class="facts">{_repaired(report, family)}{_money(report, family)}{_ends(report, family)}</div>'
        f"{note}"
    )


def _finished(report: ReportData, family: str) -> pd.DataFrame:
    jobs = report.records.jobs
    return jobs[(jobs["family"] == family) & jobs["origin"].isna() & (jobs["outcome"] != "open")]


def _row(report: ReportData, family: str) -> Any:
    return report.ranking.set_index("family").loc[family]


def limits(report: ReportData, family: str) -> tuple[float, float]:
    """Prices up to which to take and to haggle, in whole money; NaN below nothing, or where not known."""
    ceiling = float(_row(report, family)["ceiling"])
    if not ceiling >= 0:
        return np.nan, np.nan
    return float(np.floor(ceiling)), float(np.floor(ceiling * (1.0 + report.odds.terms.haggle_room)))


def _verdict(report: ReportData, family: str) -> str:
    """Say the verdict at the price usually paid, then what holds at other prices, and what it rests on."""
    row, entry, currency = _row(report, family), report.entry(family), report.currency
    up, top = limits(report, family)
    paid, verdict = row["usual_price"], row["verdict"]
    at = f" at {format.money(paid, currency)}" if format.is_known(paid) else ""
    below = ""
    if np.isnan(row["ceiling"]):
        says = "No price can be named yet"
    elif verdict == "try one":
        worth = f"up to {format.money(up, currency)}" if up >= 1 else "nothing"
        says, below = (
            f"Try one{at}",
            f"By its odds alone it is worth {worth}; what one teaches is worth the rest.",
        )
    elif np.isnan(up):
        says = "Skip it: not even for free"
    elif entry.kind_jobs == 0:
        says = f"Try one at most, up to {format.money(up, currency)}"
    elif verdict == "haggle":
        says = f"Haggle it down to {format.money(up, currency)}"
    else:
        worth = f"take it up to {format.money(up, currency)}" if up else "take it only for free"
        says = f"Skip it{at}; {worth}" if verdict == "skip" else format.capital(worth)
    if not below and up >= 1 and entry.kind_jobs and top > up:
        asked = f"{up + 1:.0f} to {top:.0f}" if top > up + 1 else f"{top:.0f}"
        below = f"Asked {asked}: haggle, and pay {up:.0f} at most. Above {top:.0f}: skip."
    kind = str(verdict or "none").replace(" ", "-")
    rests = " ".join([_evidence(report, family), *_sentences(standing_notes(entry, report.odds.tally))])
    return (
        paragraph(text(says), kind=f"says verdict {kind}")
        + paragraph(text(below))
        + paragraph(text(rests.strip()), kind="soft")
    )


def _evidence(report: ReportData, family: str) -> str:
    """Say plainly where few or no jobs of its own stand behind the numbers; nothing else."""
    entry = report.entry(family)
    others = entry.kind_jobs - entry.jobs_seen
    source = f"{format.counted(others, 'job')} of other {entry.kind} families" if others else "belief alone"
    if entry.jobs_seen == 0:
        said = "No unit of this family has been finished here"
        if entry.evidence == "hearsay":
            return f"{said}: the numbers are mostly hearsay."
        return f"{said}: the numbers come from {source}."
    if entry.jobs_seen < FEW:
        return f"Only {format.counted(entry.jobs_seen, 'job')} of its own; the rest comes from {source}."
    return ""


def _sentences(notes: Sequence[str]) -> list[str]:
    return [f"{format.capital(note)}." for note in notes]


def _line(report: ReportData, family: str) -> str:
    """Draw what to do at each price, with every unit that was bought."""
    row, currency = _row(report, family), report.currency
    if np.isnan(row["ceiling"]):
        return ""
    up, top = limits(report, family)
    paid = float(row["usual_price"])
    gains = report.gains[report.gains["family"] == family]
    bought = gains[~gains["predicted"].astype(str).str.contains("purchase") & gains["gain"].notna()]
    dots = pd.DataFrame(
        {"value": bought["bought_for"], "dot": np.where(bought["gain"] > 0, "full", "open other")}
    )
    # Of a verdict to try one only so much is known as that it holds at the price usually paid.
    founded, last = report.entry(family).kind_jobs > 0, [("skip", np.inf)]
    last = [("try one", paid), *last] if row["verdict"] == "try one" else last
    known = [("take", up), ("haggle", top)] if founded else [("try one", up)]
    zones = [*known, *last] if up >= 1 else last
    scale = figures.scale_of(1.15 * top, paid, *dots["value"])
    spans = "; ".join(
        f"{verdict} {f'up to {end:.0f}' if np.isfinite(end) else 'above'}" for verdict, end in zones
    )
    n, gained = len(dots), int((dots["dot"] == "full").sum())
    usual = f" Usually paid: {format.money(paid, currency)}." if format.is_known(paid) else ""
    alt = (
        f"Prices in {currency}: {spans}.{usual} {format.counted(n, 'unit')} bought, {gained} of them gained."
    )
    drawn = figures.dots(dots, scale, currency=currency, alt=alt, zones=zones, paid=paid)
    if dots.empty:
        return drawn
    each = figures.per_dot(dots, scale)
    one = "a unit bought" if each == 1 else f"up to {each} units bought"
    marks = {"full": f"{one}, and the job gained", "open other": f"it lost ({n - gained} of {n})"}
    key = figures.key(**marks)
    return drawn + key


def _repaired(report: ReportData, family: str) -> str:
    """Chance of a repair beside the count so far, with what sets them apart."""
    row, jobs = _row(report, family), _finished(report, family)
    chance = float(row["success_chance"])
    span = format.span(row["success_low"], row["success_high"]).replace(f"{format.HARD_SPACE}%", "")
    said = f"<strong>{in_hundred(chance)}</strong> will be repaired ({span})."
    if jobs.empty:
        return paragraph(said)
    done = int((jobs["outcome"] == "repaired").sum())
    so_far = f"So far {done} of {len(jobs)}"
    gap = chance - done / len(jobs)
    why = reasons(report, family) if abs(gap) >= APART else []
    if why:
        so_far += f"; {'lower' if gap < 0 else 'higher'} from here: {listed(why)}"
    return paragraph(said, f'<span class="soft">{text(so_far)}.</span>')


def reasons(report: ReportData, family: str) -> list[str]:
    """Say what sets the forecast apart from the share repaired so far: only what the numbers bear out."""
    jobs, entry = _finished(report, family), report.entry(family)
    own = report.records.jobs[
        report.records.jobs["origin"].isna() & (report.records.jobs["outcome"] != "open")
    ]
    chance = float(report.explained(family).appraisal.success.mean())
    gap = chance - float((jobs["outcome"] == "repaired").mean())
    came = jobs["taken_in"].mean().date()
    then = explain(report.odds, family=family, seen_on=came).appraisal.success.mean()
    offset = written_up(read_bench(report.records, report.as_of))[0]
    written = expit(logit(chance) + offset.reindex(jobs["taken_in"].dt.year).fillna(0.0).mean())
    kin = own[own["family"].map(report.records.families.set_index("family")["kind"]) == entry.kind]
    others = kin[kin["family"] != family]["outcome"] == "repaired"
    scarce, lost = _scarce(report, family)
    gaps = "too" if report.records.settings.gap_repaired_share else "as failures"
    shifts = {
        "units are older now": chance - float(then),
        f"jobs never written up count {gaps}": chance - float(written),
        f"parts for the {listed(scarce, 'and the')} are hard to get": lost,
        f"{format.counted(len(jobs), 'job')} {'says' if len(jobs) == 1 else 'say'} little": (
            float(others.mean()) - (chance - gap) if len(jobs) < FEW and len(others) else 0.0
        ),
        **_season(own, report),
    }
    return [said for said, shift in shifts.items() if shift * gap > 0 and abs(shift) >= APART / 3]


def _scarce(report: ReportData, family: str) -> tuple[list[str], float]:
    """Components whose parts cannot be had new, if mended more rarely from here; the chance so lost."""
    parts = report.records.parts
    general, own = parts[parts["family"].fillna("") == ""], parts[parts["family"] == family]
    told = {
        **dict(general[["component", "obtainable"]].values),
        **dict(own[["component", "obtainable"]].values),
    }
    frame = components_of(report, family)
    frame = frame[(frame["component"].map(told).fillna("yes") != "yes") & (frame["tried"] > 0)]
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


def _money(report: ReportData, family: str) -> str:
    """Chance of a loss and the gain at the price usually paid, else at the highest price to take it."""
    explained, row, currency = report.explained(family), _row(report, family), report.currency
    paid, (up, _) = float(row["usual_price"]), limits(report, family)
    price = paid if format.is_known(paid) else up
    if np.isnan(row["ceiling"]) or np.isnan(price):
        return paragraph("What it brings cannot be told yet.")
    told = verdict_row(explained.entry, explained.appraisal, report.odds, price)
    ends = told["gain_low"], told["gain_high"]
    rate = report.odds.terms.hour_rate
    time = f"counted at {format.money(rate, currency)} an hour" if rate else "not counted"
    own = report.records.jobs
    whose = family in set(own.loc[own["origin"].isna() & own["bought_for"].notna(), "family"])
    at = f"at the {format.money(price, currency)} usually paid" + (
        "" if whose else f" for a {report.entry(family).kind}"
    )
    at = at if format.is_known(paid) else f"at {format.money(price, currency)}, the most to pay"
    return paragraph(
        f"<strong>{in_hundred(told['chance_of_loss'])}</strong> lose money {text(at)}.",
        f'<span class="soft">{text(format.hours(told["hours"]))} {text(time)}. Mean gain '
        f"{text(format.money(told['expected_gain'], currency))}; 8 of 10 between "
        f"{text(format.money_span(*ends, currency)).replace(' to ', ' and ')}.</span>",
    )


def _ends(report: ReportData, family: str) -> str:
    """Name what is likeliest to end a job, ties together, beside what ended those so far."""
    frame = components_of(report, family)
    known = frame[frame["is_named"]].sort_values("ends_job", ascending=False)
    whole = np.floor(100 * known["ends_job"] + 0.5)
    tied = list(known.loc[(whole == whole.max()) & (whole > 0), "component"])
    if tied:
        tied[0] = format.capital(tied[0])
        each = " each" if len(tied) > 1 else ""
        chance = f"{in_hundred(whole.max() / 100)}{each}"
        named = listed([name(one) for one in tied], "or")
        said = f"<strong>{named}</strong> is most likely to end a job: {chance}."
    else:
        said = "<strong>Nothing</strong> stands out as what ends a job."
    lost = _finished(report, family).query("outcome != 'repaired'")
    if lost.empty:
        return paragraph(said)
    by = lost["ended_by"].value_counts().sort_index().sort_values(ascending=False, kind="stable")
    counts = ", ".join(f"{name(each)} {n}" for each, n in by.head(3).items()) or "nothing named"
    return paragraph(said, f'<span class="soft">So far {counts}, of {len(lost)} not repaired.</span>')


# ---- The records behind the answer


def brought(report: ReportData, family: str) -> Shown:
    """Draw what each finished job brought."""
    gains = report.gains[(report.gains["family"] == family) & report.gains["gain"].notna()]
    if gains.empty:
        return Shown("")
    currency, repaired = report.currency, gains["outcome"] == "repaired"
    is_sure = gains["predicted"] == ""
    dot = np.select([repaired & is_sure, repaired, is_sure], ["full", "open", "other"], "open other")
    dots = pd.DataFrame({"value": gains["gain"], "dot": dot})
    scale = figures.scale_of(*dots["value"])
    median = {
        each: format.money(gains.loc[repaired == each, "gain"].median(), currency) for each in (True, False)
    }
    middle = {
        mark: f"{here.sum()} {which}"
        + (", half of them above " if here.sum() > 1 else ": ")
        + median[mark == "full"]
        for mark, which, here in (("full", "repaired", repaired), ("other", "not repaired", ~repaired))
        if here.any()
    }
    each = figures.per_dot(dots, scale)
    shown = middle if is_sure.all() else {**middle, "open": "open marks: part of it is predicted"}
    many = paragraph(f"One mark stands for up to {each} jobs.", kind="soft") if each > 1 else ""
    alt = f"Gain of each finished job: {'; '.join(middle.values())}."
    drawn = figures.dots(dots, scale, currency=currency, alt=alt)
    return format.section("brought", "What the jobs brought", figures.key(**shown), drawn, many)


def components_of(report: ReportData, family: str) -> pd.DataFrame:
    """Components by which it is judged, what ended most jobs first: `explained` and `counts`."""
    counts = report.counts[report.counts["family"] == family].drop(columns="family")
    counts = counts.rename(columns={"failed": "n_failed"})
    frame = report.explained(family).components.merge(counts, how="left", on="component")
    numbers = [each for each in counts if each != "component"]
    frame[numbers] = frame[numbers].astype(float).fillna(0.0).astype(int)
    order = ["ended", "ends_job", "component"]
    return format.coarse(
        frame.sort_values(order, ascending=[False, False, True], ignore_index=True), "failed", "ends_job"
    )


def components(report: ReportData, family: str) -> Shown:
    """Say component by component what is wrong with one, and whether it matters."""
    frame = components_of(report, family)
    heading = "What is wrong with one, and does it matter?"
    if frame.empty:
        return format.section("components", heading, paragraph("Nothing is known of its components yet."))
    age, seen = report.usual_age(family), report.own.table[report.own.table["family"] == family]
    at = f" at {format.years(age)}" if format.is_known(age) else ""
    fields = [
        format.Field("Component", lambda row: report.component_link(row.component, "../")),
        format.Field(f"Failed{at}, 0 to 100 %", share_cell, "wide", leads=True),
        format.Field("Chance", lambda row: text(format.share(row.failed)), "number", leads=True),
        format.Field("Found failed", found, short="Found"),
        format.Field("Ended jobs", lambda row: figures.count_dots(row.ended), short="Ended"),
        format.Field("Mended", mended),
        format.amount("Part", "part_cost", report.currency),
        format.Field("Time", lambda row: text(format.hours(row.hours)), "number", short=""),
    ]
    says = f"Dot and line: chance that it has failed{at}, with its {format.INTERVAL}"
    says += ". Tick: share found failed" if frame["jobs"].any() else ""
    if len(seen):
        met = np.average(seen["age_years"], weights=seen["weight"])
        says += f", at {format.years(met)} on average" if abs(age - met) >= 1 else ""
    says += ". Hollow: never examined." if (frame["jobs"] == 0).any() else "."
    caption = (
        "Components that ended jobs first" if frame["ended"].any() else "Components, the chief risk first"
    )
    return format.section("components", heading, format.table(frame, fields, caption=caption, says=says))


def found(row: Any) -> str:
    """Say how many had failed of those examined, and how many more died on the bench."""
    said = f'<span class="unbroken">{row.n_failed} of {row.jobs}</span>' if row.jobs else "no record"
    return said + (f"<small>{row.died} more died here</small>" if row.died else "")


def mended(row: Any) -> str:
    """Say how many were mended of the failed ones that somebody tried to mend."""
    return f'<span class="unbroken">{row.mended} of {row.tried}</span>' if row.tried else "none tried"


def share_cell(row: Any) -> str:
    """Draw the chance that a component has failed, its interval, and the share found failed."""
    seen = row.n_failed / row.jobs if row.jobs else np.nan
    return figures.interval_cell(row.failed, row.failed_low, row.failed_high, found=seen, is_own=row.jobs > 0)


# ---- What a doubter wants, and what one takes to the bench: behind folds


def plan(report: ReportData, found: Plan) -> Shown:
    """Say in what order to look at the components, and where to stop."""
    looks = found.moves[found.moves["move"] == "look at"].reset_index(drop=True)
    looks = format.coarse(looks, "failed", "ends_job")
    currency = report.currency
    if looks.empty:
        return Shown(fold("In what order to look", paragraph("No component of it can end a job.")))
    gain = format.money(found.gain, currency)
    if found.goes_on:
        says = (
            f"Look at the {looks['component'][0]} first. Going on is worth {gain} more than stopping at once."
        )
    else:
        says = "Break it for parts at once: going on costs more than it brings, whatever was paid."
    fields = [
        format.Field("Look at", lambda row: report.component_link(row.component, "../")),
        format.number("Failed, if all above is sound", "failed", format.share),
        format.number("Ends the job", "ends_job", format.share),
        format.amount("Looking costs", "look_cost", currency),
        format.amount("Mending costs", "mend_cost", currency),
        format.label("If it has failed", "if_failed"),
    ]
    table = format.table(
        looks,
        fields,
        caption="As long as all is sound",
        says="Bench time is counted. The command plan gives the order for a unit on the bench.",
    )
    notes = format.bullets([text(note) for note in _sentences(found.notes)])
    summary = f"In what order to look ({format.counted(len(looks), 'step')})"
    return Shown(fold(summary, paragraph(text(says)), table, notes, prints=True))


def lives(report: ReportData, family: str) -> Shown:
    """Draw the share failed by age: a Weibull curve over its model-free twin, and the odds' own curve."""
    own = report.own_lives(family)
    seen = own.summary.set_index("component")
    order = [each for each in components_of(report, family)["component"] if each in seen.index]
    if not order:
        return Shown(
            fold("How long components last: no record yet", paragraph("None has been examined here."))
        )
    frame = seen.loc[order].reset_index()
    drawn = frame[frame["is_drawn"].astype(bool) & (frame["status"] == "ok")]
    last = np.nanmax([own.last_age, report.usual_age(family) + BEYOND_YEARS])
    pooled = report.failed_by_age(family, np.linspace(0, last, 26))
    model = own.model
    pictures = []
    for row in drawn.itertuples():
        counts = f"{row.n_failed:.0f} failed, {row.n_sound:.0f} still worked"
        says = f"{counts}. {half_failed(row)}"
        pictures.append(
            figures.life_curve(
                title=format.capital(row.component),
                alt=f"Share of {row.component} failed by age. {says}",
                says=text(says),
                steps=own.steps[row.component],
                model=model[model["component"] == row.component],
                pooled=pooled[pooled["component"] == row.component],
                marks=own.marks[own.marks["component"] == row.component],
                last_record=row.oldest_years,
                today_years=report.usual_age(family),
                last_age=last,
            )
        )
    rest = [
        f"{name(row.component)}: {text(row.fit_says)}"
        for row in frame.itertuples()
        if row.component not in set(drawn["component"])
    ]
    checks = {each: own.checks[each] for each in drawn["component"]}
    fits: dict[str, list[str]] = {}
    for component, check in checks.items():
        curve = {FAIR: "A Weibull curve is a fair summary", ANOTHER: f"A {check.best} curve fits better"}
        grows = "grows" if check.shape > 1 else "falls"
        ageing = "is not shown to change" if check.ageing_p > AGEING_P else f"is shown to {grows[:-1]}"
        p = f" (p = {check.ageing_p:.2g})"
        fits.setdefault(curve.get(check.verdict, "Too few to tell which curve fits best"), []).append(
            name(component)
        )
        fits.setdefault(f"The risk {ageing} with age", []).append(
            name(component) + p.replace(" ", HARD_SPACE)
        )
    ageing_says = [f"{says}: {', '.join(which)}." for says, which in fits.items()]
    key = figures.key(
        line="Weibull curve of these records, dashed beyond the oldest",
        step="the same without a model",
        pooled="as the odds have it, with all families",
        failed="found failed at that age",
        sound="still worked at that age",
        today="usual age today",
    )
    summary = f"How long components last: {format.counted(len(drawn), 'curve')}"
    return Shown(
        fold(
            summary,
            key if pictures else "",
            f'<div class="figures">{"".join(pictures)}</div>' if pictures else "",
            f"<h3>Without a curve</h3>{format.bullets(rest)}" if rest else "",
            fold("How we know", format.bullets(ageing_says)) if checks else "",
        )
    )


def half_failed(row: Any) -> str:
    """Say by what age half have failed; beyond the oldest record only that it is not before."""
    if format.is_known(row.b50_years) and row.b50_years <= row.oldest_years:
        return f"Half had failed by about {format.years(row.b50_years)}."
    first = min(row.b50_low, row.oldest_years) if format.is_known(row.b50_low) else row.oldest_years
    return f"Half failed: not before {first:.0f}; more cannot be told."


def years(report: ReportData, family: str) -> Shown:
    """Say what production years have to do with it, and draw the records that tell."""
    found = report.changes[report.changes["family"] == family]
    answered = found[found["status"] == "ok"]
    called = answered[answered["q_value"] <= CALLED].sort_values("q_value") if len(answered) else answered
    marks = year_marks(report, family)
    said = [text(change(row, marks)) for row in called.itertuples()]
    if len(answered) > len(called):
        others = format.listed(sorted(set(answered["component"]) - set(called["component"])))
        said.append(f"No change is shown in the {text(others)}.")
    mixed = found[found["status"] == "cannot tell ageing from vintage"]
    if len(mixed):
        named = text(format.listed(sorted(mixed["component"])))
        said.append(f"Nothing can be told of the {named}: age and production year go together there.")
    few = sorted(found.loc[found["status"] == "too few records", "component"])
    if few:
        said.append(f"Too few records of a known year: {text(format.listed(few))}.")
    summary = "Production years: "
    if len(called):
        summary += "; ".join(f"{row.component} from {row.change_year:.0f} on" for row in called.itertuples())
    else:
        summary += "nothing stands out" if len(answered) else "nothing can be told"
    pictures = [
        figures.years(
            marks[marks["component"] == row.component],
            change_year=row.change_year,
            title=format.capital(row.component),
            alt=change(row, marks),
            says="Records of a known year.",
        )
        for row in called.itertuples()
    ]
    key = figures.key(failed="found failed", sound="still worked", today="lives differ from here on")
    drawn = f'{key}<div class="figures">{"".join(pictures)}</div>' if pictures else ""
    how = "All families were searched. Of what is called a change, at most 1 in 10 should be a false alarm."
    return Shown(fold(summary, format.bullets(said), drawn, paragraph(how, kind="soft"), anchor="years"))


def year_marks(report: ReportData, family: str) -> pd.DataFrame:
    """Give the records of one known year as marks: component, year, age_years (whole), is_failed, count."""
    table = report.own.table
    dated = table[~table["record"].duplicated(keep=False) & (table["family"] == family)]
    one = dated[["component", "year"]].assign(
        age_years=dated["age_years"].round(), is_failed=np.isfinite(dated["upper"])
    )
    return one.value_counts(sort=False).rename("count").reset_index()


def change(row: Any, marks: pd.DataFrame) -> str:
    """Say what a change of production year amounts to, in counts and at one age."""
    here = marks[marks["component"] == row.component]
    later = here["year"] >= row.change_year
    after, before = (
        f"{int(some.loc[some['is_failed'], 'count'].sum())} of {int(some['count'].sum())}"
        for some in (here[later], here[~later])
    )
    year = f"{row.change_year:.0f}"
    said = (
        f"{format.capital(row.component)}: {after} failed in units built from {year} on, {before} "
        "in earlier ones."
    )
    if not format.is_known(row.reference_age_years):
        return f"{said} The two were never seen at one age, so part of it may be ageing."
    return said


def back(report: ReportData, family: str) -> Shown:
    """Say how many repaired units came back, of how many that somebody asked after."""
    jobs = report.records.jobs[report.records.jobs["family"] == family]
    checks = report.records.followups[report.records.followups["job"].isin(jobs["job"])]
    found = comebacks(jobs, checks, report.as_of)
    repaired = int((_finished(report, family)["outcome"] == "repaired").sum())
    asked, came = len(found.table), int(np.isfinite(found.table["upper_days"]).sum())
    if not asked:
        said = f"Nobody has asked after any of {format.counted(repaired, 'repaired unit')} since its sale."
        said = said if repaired > 1 else "Nobody has asked after the one repaired unit since its sale."
        if not repaired:
            return Shown(fold("Comebacks: no unit repaired yet", paragraph("No unit was repaired yet.")))
        return Shown(fold("Comebacks: nobody asked yet", paragraph(said)))
    parts = found.table["component"].dropna().replace(NOT_KNOWN, "cause not known").value_counts()
    which = f" ({', '.join(f'{name(each)} {n}' for each, n in sorted(parts.items()))})" if came else ""
    said = f"{came} of {format.counted(asked, 'repaired unit')} asked after came back{which}."
    if repaired > asked:
        said += (
            f" Nobody has asked after {repaired - asked} more, and silence does not mean that a unit works."
        )
    _, low, high = found.within([365.0])
    said += f" Within a year {format.span(low[0], high[0])} come back ({format.INTERVAL})."
    drawn = _comeback_curve(found, said) if asked >= FEWEST_CHECKED and found.curve.usable else ""
    return Shown(fold(f"Comebacks: {came} of {asked} asked after", paragraph(said), drawn))


def _comeback_curve(found: Comebacks, said: str) -> str:
    curve = found.curve
    days = curve.age_years * DAYS_PER_YEAR
    frame = pd.DataFrame({"days": days, "failed": curve.failed, "low": curve.low, "high": curve.high})
    upper, lower = found.table["upper_days"].to_numpy(float), found.table["lower_days"].to_numpy(float)
    heard = np.where(np.isfinite(upper), upper, lower)  # the last that was heard of each unit
    return figures.comebacks(
        frame.dropna(subset=["failed"]),
        watched=heard,
        title="How many come back, by days since the sale",
        alt=f"Share of repaired units that came back, by days since the sale. {said}",
        says="A step ends with the last unit that was asked after; below, how many were still watched.",
    )


def jobs(report: ReportData, family: str) -> Shown:
    """List all jobs of this bench, the newest first, each with what had failed."""
    frame = report.records.jobs
    frame = frame[(frame["family"] == family) & frame["origin"].isna()]
    frame = frame.sort_values(["taken_in", "job"], ascending=False)
    if frame.empty:
        return Shown(fold("No jobs yet", paragraph("No job of this family has been written down.")))
    frame = frame.merge(report.gains[["job", "gain", "predicted"]], how="left", on="job")
    findings = report.records.findings
    failed = findings[findings["found"] == "failed"].groupby("job")["component"].unique()
    examined, currency = set(findings["job"]), report.currency

    def what(row: Any) -> str:
        parts = sorted(set(failed.get(row.job, ())) - {row.ended_by})
        said = [listed([name(each) for each in parts])] if parts else []
        nothing = "nothing failed" if row.job in examined else "no findings"
        if row.ended_by:
            why = f" ({text(row.ended_why)})" if row.ended_why else ""
            said.append(f"ended by {name(row.ended_by)}{why}")
        return f"{text(row.outcome)}<small>{'; '.join(said) or nothing}</small>"

    def gain(row: Any) -> str:
        return ("≈ " if row.predicted and format.is_known(row.gain) else "") + text(
            format.money(row.gain, currency)
        )

    fields = [
        format.Field("Job", lambda row: f'<span class="unbroken">{name(row.job)}</span>'),
        format.Field(
            "Taken in", lambda row: f'<span class="unbroken">{row.taken_in:%Y-%m-%d}</span>', leads=True
        ),
        format.Field("Outcome, and what had failed", what, "long"),
        format.Field("Gain", gain, "number", leads=True),
        format.amount("Bought", "bought_for", currency),
        format.amount("Sold", "sold_for", currency),
        format.number("Time", "hours", format.hours),
    ]
    is_open = frame["outcome"] == "open"
    summary = f"All {len(frame)} jobs" if len(frame) > 1 else "Its one job"
    if is_open.any():
        summary += f", {is_open.sum()} of them open" if len(frame) > 1 else ", still open"
    says = "≈: part of the gain is predicted, for an amount was not written down."
    return Shown(fold(summary, format.table(frame, fields, caption="The newest first", says=says)))


def basis(report: ReportData, family: str) -> Shown:
    """Say what the odds take from the records and what from belief, and how they did so far."""
    shared, entry = report.odds.shared, report.entry(family)
    appraisal = report.explained(family).appraisal
    chain, told = float(appraisal.states.success.mean()), float(appraisal.success.mean())
    own = _finished(report, family)
    examined = int(own["job"].isin(report.records.findings["job"]).sum())
    said = [
        f"By its components alone {in_hundred(chain)} would be repaired: so much is promised by their lives "
        f"and by the parts that can be had. What came of jobs makes that {in_hundred(told)}.",
        f"Checked against outcomes, the components count {shared.chain_weight:.2f} times: 1 is as promised, "
        "0 not at all.",
        "Belief fills what no record tells: what is usual for such parts, and what the trade says.",
        "The chance of a repair is this bench's own: it depends on what its owner buys and when they give "
        "up.",
    ]
    if len(own):
        says = "says" if examined == 1 else "say"
        said[1] += f" {examined} of {format.counted(len(own), 'finished job')} {says} what was found."
        said.insert(
            2,
            f"Its own outcomes decide {format.share(entry.own_weight)} of what sets this family apart; the "
            "rest comes from its kind, its maker and the whole bench.",
        )
    judged = report.calibration.jobs
    judged = judged[judged["family"] == family]
    if len(judged):
        forecast = judged["success_chance"].astype(float).sum()
        repaired = int(judged["repaired"].sum())
        said.append(
            f"Looking back: {format.counted(len(judged), 'job')} judged by what was known before their year; "
            f"the forecasts add up to {expected(forecast)} repaired, and {repaired} "
            f"{'was' if repaired == 1 else 'were'}."
        )
    return Shown(fold("What this rests on", format.bullets([text(each) for each in said])))
