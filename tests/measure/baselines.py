"""Rules of thumb and general learners that decide on offers from the same ledger.

Each takes the ledger's frames and the offers, and returns rows as verdicts are written: at
least `offer` and `verdict`, and whatever else the method can say.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import betaln
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegressionCV, RidgeCV
from sklearn.preprocessing import OneHotEncoder, StandardScaler
from threadpoolctl import threadpool_limits

from reliability.records.frames import Records

RARE = 3  # a family mean of fewer jobs is no mean: skip, but take what was never tried
PENALTIES = np.logspace(-2, 2, 9)


@dataclass(frozen=True)
class Bench:
    """Finished jobs as a table: family, kind, working_price, age, signs; repaired, worth."""

    jobs: pd.DataFrame
    offers: pd.DataFrame
    signs: list[str]
    margin: float


def read_bench(records: Records, offers: pd.DataFrame) -> Bench:
    """Lay out what all methods learn from; amounts that are missing count at their mean."""
    jobs = records.jobs[records.jobs["outcome"] != "open"].copy()
    settings = records.settings
    jobs["repaired"] = jobs["outcome"] == "repaired"
    families = records.families[["family", "kind", "working_price", "first_year", "last_year"]].copy()
    # Where no price was stated, the mean of the family's sales must serve, then that of all.
    sales = jobs[jobs["repaired"]].groupby("family")["sold_for"].mean()
    families["working_price"] = families["working_price"].fillna(families["family"].map(sales))
    families["working_price"] = families["working_price"].fillna(_mean(families["working_price"]))
    jobs = jobs.merge(families, on="family")
    parts = records.findings.groupby("job")["part_cost"].sum()
    sold = jobs["sold_for"].where(~(jobs["repaired"] & jobs["sold_for"].isna()), jobs["working_price"])
    hours, other = (jobs[name].fillna(_mean(jobs[name])) for name in ("hours", "other_costs"))
    costs = hours * settings.hour_rate + other + jobs["job"].map(parts).fillna(0.0)
    costs += settings.disposal_cost * (jobs["outcome"] == "scrapped")
    jobs["worth"] = sold.fillna(0) * (1 - settings.selling_fee) + jobs["salvage_value"].fillna(0) - costs
    jobs["age"] = _age(jobs, jobs["taken_in"])
    seen = records.signs.assign(seen=np.where(records.signs["seen"] == "yes", 1.0, -1.0))
    wide = seen.pivot_table(index="job", columns="sign", values="seen", aggfunc="first")
    names = sorted(wide.columns)
    jobs = jobs.merge(wide.reset_index(), on="job", how="left")
    jobs[names] = jobs[names].fillna(0.0)
    offers = offers.merge(families, on="family", suffixes=("_offered", ""), how="left")
    offers["working_price"] = offers["working_price"].fillna(_mean(families["working_price"]))
    offers["age"] = _age(offers, pd.to_datetime(offers["seen_on"]))
    for name in names:
        seen_now = offers[name] if name in offers else pd.Series(None, index=offers.index, dtype=object)
        offers[name] = seen_now.map({"yes": 1.0, "no": -1.0}).fillna(0.0).astype(float)
    usual_age = _mean(jobs["age"])
    for table in (jobs, offers):
        table["undated"] = table["age"].isna().astype(float)
        table["age"] = table["age"].fillna(usual_age)
    return Bench(jobs.reset_index(drop=True), offers, names, settings.margin)


def _mean(values: pd.Series) -> float:
    return float(values.mean()) if values.notna().any() else 0.0


def _age(table: pd.DataFrame, when: pd.Series) -> pd.Series:
    first = table["built_from"].astype(float).fillna(table["first_year"])
    last = table["built_to"].astype(float).fillna(table["last_year"])
    return when.dt.year + when.dt.dayofyear / 365.25 - (first + last) / 2 - 0.5


def _verdicts(bench: Bench, worth: np.ndarray, chance: np.ndarray | None = None) -> pd.DataFrame:
    asked = bench.offers["asked"].to_numpy(float)
    rows = pd.DataFrame({"offer": bench.offers["offer"], "ceiling": worth - bench.margin})
    rows["expected_gain"] = worth - asked
    rows["verdict"] = np.where(rows["expected_gain"] > bench.margin, "take", "skip")
    if chance is not None:
        rows["success_chance"] = chance
    return rows


def take_all(bench: Bench) -> pd.DataFrame:
    """Buy everything."""
    return pd.DataFrame({"offer": bench.offers["offer"], "verdict": "take"})


def take_none(bench: Bench) -> pd.DataFrame:
    """Buy nothing."""
    return pd.DataFrame({"offer": bench.offers["offer"], "verdict": "skip"})


def family_mean(bench: Bench) -> pd.DataFrame:
    """Mean outcome of the family: no job yet, take; fewer than three, skip."""
    by_family = bench.jobs.groupby("family").agg(
        worth=("worth", "mean"), chance=("repaired", "mean"), n=("worth", "size")
    )
    found = by_family.reindex(bench.offers["family"])
    n = found["n"].fillna(0).to_numpy()
    overall = float(bench.jobs["repaired"].mean())
    rows = _verdicts(bench, found["worth"].to_numpy(), found["chance"].fillna(overall).to_numpy())
    rows.loc[n < RARE, "verdict"] = "skip"
    rows.loc[n == 0, "verdict"] = "take"
    rows[["ceiling", "expected_gain"]] = np.nan
    return rows


def own_rate(bench: Bench) -> pd.DataFrame:
    """Share of all jobs that were repaired, with one job more at even odds."""
    share = (float(bench.jobs["repaired"].sum()) + 0.5) / (len(bench.jobs) + 1.0)
    chance = np.full(len(bench.offers), share)
    return _verdicts(bench, _worth_of(bench, chance), chance)


def beta_binomial(bench: Bench) -> pd.DataFrame:
    """Shrink the share repaired of each family towards the bench's, as much as the families agree."""
    counts = bench.jobs.groupby("family")["repaired"].agg(["sum", "size"])
    repaired, n = counts["sum"].to_numpy(float), counts["size"].to_numpy(float)

    def loss(point: np.ndarray) -> float:
        a, b = np.exp(point)
        return -float((betaln(a + repaired, b + n - repaired) - betaln(a, b)).sum()) + 0.05 * float(
            point @ point
        )

    a, b = np.exp(minimize(loss, np.log([2.0, 2.0]), method="Nelder-Mead").x)
    found = counts.reindex(bench.offers["family"]).fillna(0)
    chance = ((a + found["sum"]) / (a + b + found["size"])).to_numpy(float)
    return _verdicts(bench, _worth_of(bench, chance), chance)


def _worth_of(bench: Bench, chance: np.ndarray) -> np.ndarray:
    """Worth from a chance: what repaired and other jobs brought, as a share of the working price."""
    price = bench.offers["working_price"].to_numpy(float)
    brought = []
    for repaired in (True, False):
        jobs = bench.jobs[bench.jobs["repaired"] == repaired]
        brought.append(float(jobs["worth"].sum() / jobs["working_price"].sum()) if len(jobs) else 0.0)
    return price * (chance * brought[0] + (1 - chance) * brought[1])


def _design(bench: Bench, *extra: str) -> tuple[np.ndarray, np.ndarray]:
    numbers = ["age", "undated", *bench.signs, *extra]
    coder = OneHotEncoder(handle_unknown="ignore", sparse_output=False).fit(bench.jobs[["family", "kind"]])
    scaler = StandardScaler().fit(bench.jobs[numbers])
    tables = (bench.jobs, bench.offers)
    return tuple(
        np.hstack([coder.transform(t[["family", "kind"]]), scaler.transform(t[numbers])]) for t in tables
    )  # type: ignore[return-value]


# One thread each: the tables are small, and threads that wait for each other on a busy machine
# take sixty times as long.
@threadpool_limits.wrap(limits=1)
def ridge_logistic(bench: Bench) -> pd.DataFrame:
    """Logistic regression with a squared penalty on family, kind, age and signs."""
    known, asked = _design(bench)
    repaired = bench.jobs["repaired"].to_numpy()
    folds = int(min(5, repaired.sum(), (~repaired).sum()))
    if folds < 2:
        return own_rate(bench)
    model = LogisticRegressionCV(
        Cs=PENALTIES, cv=folds, scoring="neg_log_loss", max_iter=2000, l1_ratios=(0.0,),
        use_legacy_attributes=False,
    )  # fmt: skip
    chance = model.fit(known, repaired).predict_proba(asked)[:, 1]
    return _verdicts(bench, _worth_of(bench, chance), chance)


@threadpool_limits.wrap(limits=1)
def boosting(bench: Bench) -> pd.DataFrame:
    """Gradient boosted trees on the same."""
    columns = ["family", "kind", "age", "undated", *bench.signs]
    tables = [bench.jobs[columns].copy(), bench.offers[columns].copy()]
    for name in ("family", "kind"):
        names = {value: float(code) for code, value in enumerate(sorted(bench.jobs[name].unique()))}
        for table in tables:
            table[name] = table[name].map(names)
    model = HistGradientBoostingClassifier(
        max_iter=60, learning_rate=0.06, max_leaf_nodes=6, min_samples_leaf=8, l2_regularization=2.0,
        categorical_features=[0, 1], random_state=0,
    )  # fmt: skip
    chance = model.fit(tables[0].to_numpy(), bench.jobs["repaired"]).predict_proba(tables[1].to_numpy())[:, 1]
    return _verdicts(bench, _worth_of(bench, chance), chance)


@threadpool_limits.wrap(limits=1)
def ridge_worth(bench: Bench) -> pd.DataFrame:
    """Linear regression with a squared penalty of what a job brought, working price included."""
    known, asked = _design(bench, "working_price")
    model = RidgeCV(alphas=np.logspace(-1, 3, 13)).fit(known, bench.jobs["worth"])
    return _verdicts(bench, model.predict(asked))


BASELINES: dict[str, Callable[[Bench], pd.DataFrame]] = {
    "take all": take_all,
    "take none": take_none,
    "family mean": family_mean,
    "own rate": own_rate,
    "beta-binomial": beta_binomial,
    "ridge logistic": ridge_logistic,
    "boosting": boosting,
    "ridge on worth": ridge_worth,
}
