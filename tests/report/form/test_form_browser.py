"""The form as its user meets it: JupyterLab in Chromium, on a ledger of its own, nothing from outside."""

import time
from typing import Any

import pytest

from reliability.records.ledger import open_ledger
from tests.report.form.conftest import CHROMIUM, Lab, run_all_cells

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    # Playwright's own event loop is closed when its process ends.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


def axe_faults(page: Any) -> list[tuple[str, str]]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, context=".bench-form").response
    assert len(found["passes"]) > 5
    return [(each["id"], each["nodes"][0]["html"]) for each in found["violations"]]


def test_a_unit_comes_in_and_its_job_is_written_up(page: Any, lab: Lab) -> None:
    run_all_cells(page, lab)
    page.locator(".jp-OutputArea-output code", has_text=str(lab.ledger)).wait_for()
    intake, job, sale = (page.locator(".bench-form").nth(place) for place in (1, 2, 3))

    intake.get_by_label("Family", exact=True).fill("Tarnwick T2")
    intake.get_by_label("Bought for").fill("30")
    intake.get_by_label("hum", exact=True).select_option("no")
    intake.get_by_role("button", name="Take it in").click()
    intake.get_by_text("write this number on its label").wait_for()

    which = job.get_by_label("Which unit?")
    label = f"job 18: Tarnwick T2, in since {time.strftime('%Y-%m-%d')}"
    which.locator("option", has_text="job 18").wait_for(state="attached")
    which.select_option(label=label)
    # A tape deck's components take the place of the general ones.
    job.get_by_label("pinch roller", exact=True).wait_for()
    job.get_by_label("motor", exact=True).select_option("failed")
    job.get_by_label("motor: action").select_option("replaced")
    cost = job.get_by_label("motor: part cost")
    cost.fill("four and a half")
    job.get_by_role("button", name="All others were examined and are sound").click()
    job.get_by_label("Outcome").select_option("repaired")
    job.get_by_role("button", name="Write it up").click()

    # The fault stands in the field's own box, under the field.
    wrong = job.locator(".bench-field", has=page.get_by_label("motor: part cost")).locator(".bench-wrong")
    wrong.wait_for()
    assert "'four and a half' is not an amount" in wrong.inner_text()
    assert wrong.bounding_box()["y"] > cost.bounding_box()["y"]
    assert "nothing was written" in job.get_by_role("alert").inner_text()
    assert axe_faults(page) == []

    cost.fill("4.50")
    job.get_by_role("button", name="Write it up").click()
    change = job.get_by_role("button", name="What did this job change?")
    change.wait_for()
    assert "Job 18 is written: Tarnwick T2, repaired" in job.inner_text()
    assert str(lab.ledger) in job.inner_text()
    assert job.locator(".bench-wrong").count() == 0
    change.click()
    job.get_by_text("You can go on writing meanwhile").wait_for()

    # While that is worked out, the sale is written.
    sale.get_by_label("Job", exact=True).select_option(label=f"{label}, repaired")
    sale.get_by_label("Sold for").fill("155")
    sale.get_by_role("button", name="Record the sale").click()
    sale.get_by_text("Job 18: Tarnwick T2, sold for 155.00 EUR").wait_for()
    assert axe_faults(page) == []

    table = job.get_by_role("table")
    table.wait_for(timeout=600_000)
    heads = table.locator("tr").nth(0).inner_text().split()
    jobs = table.locator("tr", has_text="Finished jobs of the family").inner_text().split("\t")
    assert (heads, jobs[1:]) == (["before", "after"], ["8", "9"])
    assert axe_faults(page) == []

    with open_ledger(lab.ledger) as ledger:
        document = ledger.job("18")
        assert [each["reason"] for each in ledger.history("18")] == ["taken in", "added", "sold"]
    found = {each["component"]: each for each in document["findings"]}
    assert (document["job"]["outcome"], document["job"]["sold_for"]) == ("repaired", 155)
    assert (document["job"]["bought_for"], document["signs"][0]["seen"]) == (30, "no")
    assert (found["motor"]["found"], found["motor"]["action"]) == ("failed", "replaced")
    assert str(found["motor"]["part_cost"]) == "4.50"
    assert {each["found"] for name, each in found.items() if name != "motor"} == {"sound"}
    assert len(found) == 8
