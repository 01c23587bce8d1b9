"""The trade from the first unit to the next purchase, through the command line, on any ledger."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

FAMILY = "Larkov T1"


RATE, FEE, DISPOSAL, SELLING_HOURS = 12, 0.1, 4, 0.5


class Book:
    """A bench's year: what is typed into commands is added up beside them, by a few lines of arithmetic."""

    def __init__(self, bench):
        self.bench, self.jobs = bench, []

    def finish(self, outcome, closed, hours, *findings, bought=0.0, other=2, sold=None, kept=(), more=""):
        """Write up a job by a sheet; a finding is a component, what a part cost, and the shelf's number."""
        lines = [more, f'outcome = "{outcome}"', f"closed = {closed}"]
        lines += [f"hours = {hours}", f"other_costs = {other}"]
        lines += [f"sold_for = {sold}", f"sold_on = {closed}"] if sold else []
        for component, cost, part in findings:
            lines += ["[[finding]]", f'component = "{component}"', 'found = "failed"']
            lines += [f"from = {part}"] if part else ['action = "replaced"', f"part_cost = {cost}"]
        lines += ["[kept]", *(f"{component} = {worth}" for component, worth in kept)] if kept else []
        sheet = self.bench.sheet("\n".join(lines), f"{len(self.jobs)}.toml")
        cells = {"sold": sold or 0, "hours": hours, "other": other, "bought": bought, "outcome": outcome}
        parts, worth = sum(cost for _, cost, _ in findings), sum(worth for _, worth in kept)
        self.jobs.append({**cells, "parts": parts, "kept": worth})
        return self.bench.ok("add", sheet)

    def row(self, comebacks, beside):
        """The row of the year on the page of earnings."""
        brought = sum(job["sold"] * (1 - FEE) + job["kept"] for job in self.jobs)
        brought -= DISPOSAL * sum(job["outcome"] == "scrapped" for job in self.jobs)
        sales = sum(job["sold"] > 0 for job in self.jobs)
        spent = [sum(job[each] for job in self.jobs) for each in ("bought", "parts", "other")]
        time = RATE * (sum(job["hours"] for job in self.jobs) + SELLING_HOURS * sales)
        gain = brought - sum(spent) - comebacks - time
        return [brought, *spent, comebacks, time, gain, beside, gain - beside]


@pytest.fixture(params=["file", "server"])
def bench(request, command_line):
    """The command line on a ledger of its own: a file, or a database that several benches share."""
    if request.param == "file":
        yield command_line
        return
    with request.getfixturevalue("server").database() as url:
        yield replace(command_line, url=url)


def test_a_year_of_a_bench_keeps_its_money_together(bench):
    ok, book = bench.ok, Book(bench)

    # January: the first unit, the settings, a comeback within the warranty.
    ok("intake", FAMILY, "-p", "25", "-y", "1982", "-s", "rust=no", "--on", "2025-01-06", "--new-family",
       "--kind", "tape deck")  # fmt: skip
    for name, value in (("hour_rate", RATE), ("selling_fee", FEE), ("disposal_cost", DISPOSAL),
                        ("selling_hours", SELLING_HOURS), ("warranty_days", 90), ("margin", 5)):  # fmt: skip
        ok("set", name, value)
    ok("family", FAMILY, "--working-price", "110", "--priced-on", "2025-01-06")
    ok("part", "belt", "--obtainable", "yes", "--price", "4", "--as-of", "2025-01-06")
    ok("heard", "--kind", "tape deck", "--component", "belt", "--age-years", "40", "--share-failed", "0.7",
       "--worth-jobs", "3")  # fmt: skip
    assert 'job = "1"' in ok("blank", FAMILY)
    book.finish("repaired", "2025-01-12", 2.5, ("belt", 4, None), bought=25, more="job = 1")
    assert "1, Larkov T1" in ok("next")
    ok("sold", "1", "118", "--on", "2025-01-20")
    book.jobs[0]["sold"] = 118
    ok("followup", "1", "--working", "no", "--on", "2025-03-01", "--component", "belt", "--hours", "0.5",
       "--cost", "6")  # fmt: skip
    comebacks = 6 + 0.5 * RATE

    # March: two units of one price; one is kept for parts, which two later jobs take.
    ok("intake", FAMILY, "--lot", "attic", "--lot-price", "60", "-y", "1984", "--on", "2025-03-03")
    ok("intake", FAMILY, "--lot", "attic", "-y", "1984", "--on", "2025-03-03")
    book.finish("repaired", "2025-03-10", 3, ("belt", 4, None), bought=30, sold=90, more="job = 2")
    said = book.finish("donor", "2025-03-11", 1, ("gear", 0, None), bought=30,
                       kept=(("motor", 12), ("head", 7.5)), more="job = 3\nended_by = 'gear'")  # fmt: skip
    assert "part 1: motor of job 3, on the shelf" in said
    new = f"family = '{FAMILY}'\ntaken_in = 2025-04-01\nbuilt = 1981\nbought_for = 15"
    book.finish("repaired", "2025-04-05", 2, ("motor", 12, 1), bought=15, sold=80, more=new)
    ok("intake", FAMILY, "-p", "20", "-y", "1985", "--on", "2025-05-02")
    ok("shelf", "use", "2", "--job", "5", "--on", "2025-05-03")
    book.finish("repaired", "2025-05-06", 2, bought=20, sold=70, more="job = 5")
    book.jobs[-1]["parts"] = 7.5
    assert ok("shelf") == "Nothing lies on the shelf.\n"

    # June: one is scrapped; a slip of the pen is mended, and two entries are put right.
    ok("intake", FAMILY, "-p", "10", "--on", "2025-06-01")
    scrapped = ("job = 6", "outcome = 'scrapped'", "closed = 2025-06-03", "hours = 1", "other_costs = 0",
                "[[finding]]", "component = 'mottor'", "found = 'failed'", "action = 'no part'")  # fmt: skip
    ok("add", bench.sheet("\n".join(scrapped)), "--new-component", "mottor")
    book.jobs.append(
        {"sold": 0, "hours": 2, "other": 0, "bought": 10, "outcome": "scrapped", "parts": 0, "kept": 0}
    )
    ok("rename", "component", "mottor", "motor", "--merge")
    ok("amend", "6", "--set", "hours=2", "--why", "the clock said so")
    ok("amend", "4", "--set", "sold_for=85", "--why", "the buyer rounded up")
    book.jobs[3]["sold"] = 85

    # September: the card's file of a fair comes home. One is bought, a pair at one price, one is left.
    ok("spend", "fair at Melk", "--amount", "18", "--hours", "5", "--on", "2025-09-06")
    ok("spend", "files", "--amount", "31", "--on", "2025-09-08")
    bench.sheet(
        "offer,family,built_from,built_to,asked,lot,lot_asked,bought,left_because,rust\n"
        f"a,{FAMILY},1983,1983,22,,,yes,,no\nb,{FAMILY},1980,1980,,pair,40,yes,,\n"
        f"c,{FAMILY},1984,1984,,pair,,yes,,yes\nd,{FAMILY},1979,1979,140,,,,too dear,yes\n"
        f"e,{FAMILY},1979,1979,60,,,,,\n", "seen.csv")  # fmt: skip
    judged = ok("judge", "seen.csv")
    assert "5 judged" in judged
    said = ok("saw", "seen.csv", "--on", "2025-09-06", "--place", "Melk")
    assert "Job 9: c, taken in\n5 units looked at: 3 taken in, 1 left, 1 not decided\n" in said
    book.finish("repaired", "2025-09-12", 2, ("belt", 4, None), bought=22, sold=100, more="job = 7")
    book.finish("donor", "2025-09-13", 1, ("head", 0, None), bought=20, more="job = 8\nended_by = 'head'",
                kept=(("motor", 9), ("gear", 5)))  # fmt: skip
    ok("shelf", "out", "4", "--on", "2025-09-20")
    book.finish("sold as is", "2025-09-14", 0.5, bought=20, sold=15, more="job = 9")
    ok("intake", FAMILY, "-p", "30", "-y", "1983", "--on", "2025-10-01")

    # What is told at the end of the year.
    assert "10 jobs: 0 broken" in ok("check")
    told = ok("next", "--all")
    for line in ("  10, Larkov T1", "  2025-09-06 Melk e, Larkov T1"):
        assert line in told
    assert re.search(r"^   3  motor +Larkov T1 +9\.00  8 ", ok("shelf"), re.M)
    ranked = ok("ranking").splitlines()
    assert ranked[0].endswith("price usually asked for one.")
    assert re.search(r"^Larkov T1 .* 2 +-?\d+\.\d\d$", ranked[-1])  # two were left, or are not decided
    assert "2 pages made" in bench.run("report", "--family", FAMILY).stdout
    assert "9 finished jobs" in Path("reports", "families", "larkov-t1.html").read_text(encoding="utf-8")
    bench.run("report", "--all")
    page = Path("reports", "earnings.html").read_text(encoding="utf-8")
    assert "is predicted instead" not in page
    table = page[page.index("What came in and went out for the jobs of each year") :].partition("</table>")[0]
    cells = [re.sub("<[^>]*>", " ", cell) for cell in re.findall("<t[hd].*?</t[hd]>", table, re.DOTALL)]
    found = [
        float(re.search(r"−?\d[\d,]*", cell)[0].replace("−", "-"))
        for cell in cells[cells.index(" 2025 ") + 1 :]
    ]
    assert found == [pytest.approx(each, abs=0.51) for each in book.row(comebacks, 18 + 5 * RATE + 31)]

    # The ledger moves to another machine, with all of it.
    lines = ("show", "1"), ("show", "3"), ("shelf",), ("spend",), ("ranking",)
    shown = [ok(*line) for line in lines]
    ok("export", "csv")
    other = replace(bench, url="moved.db")
    other.ok("import", "csv")
    assert [other.ok(*line) for line in lines] == shown
    other.ok("export", "again")
    for path in Path("csv").iterdir():
        assert path.read_bytes() == (Path("again") / path.name).read_bytes(), path.name
