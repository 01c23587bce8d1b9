"""A sale by the card, its jobs by the form in JupyterLab: a donor's part, a fault by its field, a change."""

import datetime
import re
from decimal import Decimal

from click.testing import CliRunner
from playwright.sync_api import expect

from reliability.cli import main
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from tests.report.cards import BROWSER, choose, fill_in, make_card_of, settle
from tests.report.form.conftest import run_all_cells

pytestmark = BROWSER

FAIR = "2026-09-05"


def look_at_a_sale(page, ledger, folder):
    """Look at two units and a lot of three with the card; buy one and the lot."""
    with open_ledger(ledger) as opened:
        card = make_card_of(read_records(opened), folder / "card.html")
    page.goto(card.path.as_uri())
    for family, asked in (("Tarnwick T2", "20"), ("Dallow 80", "300")):
        fill_in(page, {"family": family, "asked": asked, "built_from": "1979", "seen_on": FAIR}, [])
        page.click("#act")
    page.click("#act")
    page.select_option("#lot", label="in a new lot")
    for family in ("Dallow 80", "Tarnwick T2", "Tarnwick T2"):
        choose(page, family)
        settle(page)
        page.click("#act")
    page.fill("#lot_asked", "30")
    settle(page)
    assert page.inner_text("#said b").strip().lower() == "take"
    page.get_by_label("What became of lot 1").select_option("bought")
    page.get_by_label("What became of unit 1").select_option("bought")
    page.get_by_label("What became of unit 2").select_option("left: too dear")
    with page.expect_download() as download:
        page.click("#save")
    download.value.save_as(folder / "offers.csv")
    return folder / "offers.csv"


def write(form, button, said, **values):
    """Fill in fields by their labels, lists by a part of a choice; press, wait for what is told."""
    for label, value in values.items():
        label = re.escape(label.replace("__", ": ").replace("_", " "))
        field = form.get_by_label(re.compile(rf"^{label}( \(EUR\))?$"))
        if field.evaluate("each => each.tagName") == "SELECT":
            choice = field.locator("option", has_text=value)
            choice.first.wait_for(state="attached")
            field.select_option(label=choice.first.inner_text())
        else:
            field.fill(value)
            field.press("Tab")
    form.get_by_role("button", name=button).click()
    form.get_by_text(said).wait_for()


def take_up(form, unit):
    """Choose the open job that is written up, and wait until the form shows it."""
    which = form.get_by_label("Which unit?")
    label = f"{unit}, in since {FAIR}"
    which.locator("option", has_text=label).wait_for(state="attached")
    which.select_option(label=label)
    expect(form.get_by_label("Family", exact=True)).to_be_disabled(timeout=60_000)


def axe_faults(page):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, context=".bench-form").response
    assert len(found["passes"]) > 5
    return [(each["id"], each["nodes"][0]["html"]) for each in found["violations"]]


def test_a_sale_comes_home_and_its_jobs_are_written_up(page, lab, tmp_path):
    with page.context.browser.new_context(viewport={"width": 360, "height": 740}) as context:
        offers = look_at_a_sale(context.new_page(), lab.ledger, tmp_path)
    line = ["--ledger", str(lab.ledger), "saw", str(offers), "--place", "Melk"]
    said = CliRunner().invoke(main, line, catch_exceptions=False).output
    assert "5 units looked at: 4 taken in, 1 left" in said

    run_all_cells(page, lab)
    job, sale = (page.locator(".bench-form").nth(place) for place in (2, 3))
    # A donor's motor goes on the shelf; the next unit needs it; a third is scrapped.
    take_up(job, "job 20: Tarnwick T2")
    job.get_by_label("head", exact=True).select_option("failed")
    job.get_by_role("button", name="Add a kept component").click()
    write(job, "Write it up", "part 1: motor of job 20, on the shelf", kept_1__component="motor",
          kept_1__worth="9", Outcome="donor", Closed="2026-09-20", Hours="1", Ended_by="head",
          Ended_why="parts not available")  # fmt: skip
    take_up(job, "job 18: Tarnwick T2")
    job.get_by_label("motor", exact=True).select_option("failed")
    write(job, "Write it up", "Job 18 is written: Tarnwick T2, repaired", motor__from_the_shelf="part 1",
          Outcome="repaired", Closed="2026-09-25", Hours="2")  # fmt: skip
    take_up(job, "job 19: Dallow 80")
    job.get_by_label("belt", exact=True).select_option("failed")
    cost = job.get_by_label("belt: part cost")
    cost.fill("four and a half")
    job.get_by_role("button", name="Write it up").click()
    # The fault stands in the field's own box, under the field.
    wrong = job.locator(".bench-field", has=page.get_by_label("belt: part cost")).locator(".bench-wrong")
    wrong.wait_for()
    assert "'four and a half' is not an amount" in wrong.inner_text()
    assert wrong.bounding_box()["y"] > cost.bounding_box()["y"]
    assert cost.evaluate("each => getComputedStyle(each).borderTopWidth") == "2px"
    assert "nothing was written" in job.get_by_role("alert").inner_text()
    assert axe_faults(page) == []
    cost.fill("")
    write(job, "Write it up", "Job 19 is written: Dallow 80, scrapped", Outcome="scrapped",
          Closed="2026-10-02", Hours="3", Ended_by="belt", Ended_why="too worn")  # fmt: skip
    assert job.locator(".bench-wrong").count() == 0
    job.get_by_role("button", name="What did this job change?").click()
    job.get_by_text("You can go on writing meanwhile").wait_for()
    write(sale, "Record the sale", "sold for 150.00 EUR on 2026-10-10", Job="job 18", Sold_for="150",
          Sold_on="2026-10-10")  # fmt: skip
    table = job.get_by_role("table")
    table.wait_for(timeout=600_000)
    jobs = table.locator("tr", has_text="Finished jobs of the family").inner_text().split("\t")
    assert (table.locator("tr").nth(0).inner_text().split(), jobs[1:]) == (["before", "after"], ["8", "9"])
    assert axe_faults(page) == []

    with open_ledger(lab.ledger) as ledger:
        rows = {row["job"]: row for row in ledger.rows("jobs")}
        (motor,) = (row for row in ledger.job("18")["findings"] if row["component"] == "motor")
        (part,), (lot,) = ledger.rows("shelf"), ledger.rows("lots")
        (left,) = (row for row in ledger.rows("sightings") if row["left_because"])
        assert ledger.check(today=datetime.date(2026, 12, 31)) == []
    assert [rows[each]["outcome"] for each in ("18", "19", "20", "21")] == [
        "repaired", "scrapped", "donor", "open"]  # fmt: skip
    assert [rows[each]["lot"] for each in ("18", "19", "20", "21")] == [None, *[lot["lot"]] * 3]
    assert (rows["18"]["bought_for"], lot["price"], rows["18"]["sold_for"]) == (20, 30, 150)
    assert (part["job"], part["used_in"], part["worth"]) == ("20", "18", 9)
    assert (motor["part_source"], motor["part_cost"]) == ("salvaged", Decimal("9.00"))
    assert (left["asked"], left["left_because"], left["place"]) == (300, "too dear", "Melk")
