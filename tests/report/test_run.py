"""A whole run: what is made, kept and removed, what is refused, and what an unchanged ledger costs."""

import json
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from reliability.errors import InvalidInput, ReportError, UnknownName
from reliability.records.frames import Records
from reliability.report import planning, printing
from reliability.report.pages import Page, whose
from reliability.report.run import NOTEBOOKS, make_pages
from reliability.report.study import write_whole
from reliability.worth.review import families_of_interest


class Instead(Executor):
    """Stands in for the workers: writes each page with its key, without running a notebook."""

    def __init__(self, failing: str = "") -> None:
        self.failing = failing

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        (job,) = args
        future: Future = Future()
        if self.failing and self.failing in job.subject:
            future.set_exception(
                ReportError(f"{job.subject}: cell 'lives' of family.ipynb failed: KeyError: 'age'")
            )
            return future
        write_whole(job.target, page_of(job.around["ledger"], page=job.around["key"]))
        future.set_result(["a remark"] if "index" in job.subject else [])
        return future


@pytest.fixture
def planned(monkeypatch: pytest.MonkeyPatch, awkward_pages: list[Page]) -> list[Page]:
    """Let a run plan the awkward pages, or those that a test puts in their place."""
    pages = list(awkward_pages)
    monkeypatch.setattr(planning, "plan", lambda *given, **more: planned_for(pages, *given, **more))
    return pages


def planned_for(pages: list[Page], records: Records, *, demo: bool, **_: object) -> list[Page]:
    """Give pages as those of the ledger that a run is of."""
    return [replace(page, ledger=whose(records, demo)) for page in pages]


def run(records: Records, out: Path, **given: object):  # type: ignore[no-untyped-def]
    return make_pages(records, out, progress=False, executor=Instead(), **given)  # type: ignore[arg-type]


def test_a_run_makes_every_page_and_the_next_one_none(
    tmp_path: Path, awkward_records: Records, planned: list[Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = run(awkward_records, tmp_path)
    assert first.made == tuple(page.target for page in planned)
    assert (first.kept, first.removed) == ((), ())
    assert first.remarks == ("index.html: a remark",)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}

    monkeypatch.setattr(planning, "plan", lambda *_, **__: pytest.fail("pages were planned again"))
    second = run(awkward_records, tmp_path)
    assert second.made == ()
    assert sorted(second.kept) == sorted(first.made)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before


@pytest.mark.parametrize("what", ["records", "demo", "a page that is gone", "a damaged state"])
def test_whatever_changed_is_looked_at(
    tmp_path: Path, awkward_records: Records, planned: list[Page], what: str
) -> None:
    run(awkward_records, tmp_path)
    records, demo = awkward_records, False
    if what == "records":
        jobs = awkward_records.jobs.assign(bought_for=1.0)
        records = replace(awkward_records, jobs=jobs)
    elif what == "demo":
        demo = True
    elif what == "a page that is gone":
        (tmp_path / planned[0].target).unlink()
    else:
        (tmp_path / ".state.json").write_text("[1")
    made = run(records, tmp_path, demo=demo)
    # A ledger's pages are no demo's, even where they would say the same.
    anew = {"a page that is gone": (planned[0].target,), "demo": tuple(page.target for page in planned)}
    assert made.made == anew.get(what, ())
    assert made.removed == ()
    assert json.loads((tmp_path / ".state.json").read_text())["asked"]["all"].keys() == {
        page.target for page in planned
    }


def test_pages_that_nothing_stands_behind_are_removed_and_foreign_files_stay(
    tmp_path: Path, awkward_records: Records, planned: list[Page]
) -> None:
    run(awkward_records, tmp_path)
    gone = next(page for page in planned if page.study.kind == "component")
    (tmp_path / "families" / "mine.html").write_text("<p>my own notes</p>")
    (tmp_path / gone.target).with_suffix(".pdf").write_text("pdf")
    planned.remove(gone)
    records = replace(awkward_records, jobs=awkward_records.jobs.assign(bought_for=2.0))
    assert run(records, tmp_path).removed == (gone.target,)
    assert not (tmp_path / gone.target).exists()
    assert not (tmp_path / gone.target).with_suffix(".pdf").exists()
    assert (tmp_path / "families" / "mine.html").exists()


def page_of(ledger: str, **marks: str) -> str:
    """Give the head of a page or card."""
    named = {"ledger": ledger, **marks}
    return "".join(f'<meta name="benchodds-{name}" content="{value}">' for name, value in named.items())


@pytest.mark.parametrize("families", [None, ["one"]])
def test_what_another_ledger_left_is_removed(
    tmp_path: Path, awkward_records: Records, planned: list[Page], families: list[str] | None
) -> None:
    mine = replace(awkward_records, ledger="mine")
    left = {
        "card.html": page_of("other", day="2026-05-17"),
        "families/theirs.html": page_of("other", page="k"),
        "families/older.html": '<meta name="benchodds-page" content="k">',
        "families/mine.html": page_of("mine", page="k"),
        "families/notes.html": "<p>my own notes</p>",
        "fleet.html": page_of("other", page="k"),
    }
    for name, content in left.items():
        write_whole(tmp_path / name, content)
    (tmp_path / "families/theirs.pdf").write_text("pdf")
    if families:
        families = [next(page.study.subject for page in planned if page.study.kind == "family")]
        planned[:] = [page for page in planned if page.study.kind == "index"]
    made = run(mine, tmp_path, families=families)
    gone = ["card.html", "families/older.html", "families/theirs.html"]
    gone += ["fleet.html"] if families else ["families/mine.html"]
    assert sorted(made.removed) == sorted(gone)
    assert not any((tmp_path / name).exists() for name in [*gone, "families/theirs.pdf"])
    assert (tmp_path / "families/notes.html").exists()
    assert (tmp_path / "families/mine.html").exists() == bool(families)


def test_a_card_of_another_ledger_goes_even_where_no_page_changed(
    tmp_path: Path, awkward_records: Records, planned: list[Page]
) -> None:
    run(awkward_records, tmp_path)
    write_whole(tmp_path / "card.html", page_of("other", day="2026-05-17"))
    again = run(awkward_records, tmp_path)
    assert (again.made, again.removed) == ((), ("card.html",))
    assert not (tmp_path / "card.html").exists()


def test_a_new_card_makes_the_pages_be_looked_at(
    tmp_path: Path, awkward_records: Records, monkeypatch: pytest.MonkeyPatch, planned: list[Page]
) -> None:
    asked: list[str] = []

    def look(*given: Any, card: str, **more: Any) -> list[Page]:
        asked.append(card)
        return planned_for(planned, *given, **more)

    monkeypatch.setattr(planning, "plan", look)
    mine = replace(awkward_records, ledger="mine")
    run(mine, tmp_path)
    write_whole(tmp_path / "card.html", page_of("mine", day="2026-05-17"))
    run(mine, tmp_path)
    run(mine, tmp_path)
    assert asked == ["", "2026-05-17"]


def test_some_families_leave_the_other_pages_alone(
    tmp_path: Path, awkward_records: Records, planned: list[Page]
) -> None:
    run(awkward_records, tmp_path)
    family = next(page for page in planned if page.study.kind == "family")
    others = [page for page in planned if page is not family]
    planned[:] = [replace(family, source={"Jobs": "more"})]
    made = run(awkward_records, tmp_path, families=[family.study.subject])
    assert (made.made, made.removed) == ((family.target,), ())
    assert all((tmp_path / page.target).exists() for page in others)


def test_some_families_and_all_are_each_made_once(
    tmp_path: Path, awkward_records: Records, planned: list[Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    family = next(page for page in planned if page.study.kind == "family")
    everything = list(planned)
    planned[:] = [family]
    some = run(awkward_records, tmp_path, families=[family.study.subject]).made
    planned[:] = everything
    run(awkward_records, tmp_path)
    monkeypatch.setattr(planning, "plan", lambda *_, **__: pytest.fail("pages were planned again"))
    assert run(awkward_records, tmp_path, families=[family.study.subject]).kept == some
    assert len(run(awkward_records, tmp_path).kept) == len(everything)


def test_a_failing_page_ends_the_run_with_its_name_and_keeps_the_others(
    tmp_path: Path, awkward_records: Records, planned: list[Page]
) -> None:
    family = next(page for page in planned if page.study.kind == "family")
    message = (
        rf"1 of {len(planned)} pages could not be made; the others are up to date\.\n"
        rf"{family.target}: .*: cell 'lives' of family\.ipynb failed: KeyError: 'age'"
    )
    with pytest.raises(ReportError, match=message):
        make_pages(awkward_records, tmp_path, progress=False, executor=Instead(repr(family.study.subject)))
    assert not (tmp_path / family.target).exists()
    assert not (tmp_path / ".state.json").exists()
    again = run(awkward_records, tmp_path)
    assert again.made == (family.target,)


def test_pages_are_printed_on_request(
    tmp_path: Path, awkward_records: Records, planned: list[Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(printing, "print_pages", lambda out, pages: tuple(f"{page}.pdf" for page in pages))
    made = run(awkward_records, tmp_path, pdf=True)
    assert len(made.printed) == len(planned)


def test_a_family_that_only_imported_jobs_name_has_no_page(tmp_path: Path, awkward_records: Records) -> None:
    families, jobs = awkward_records.families.copy(), awkward_records.jobs.copy()
    families.loc[len(families), ["family", "kind"]] = ["Quillmarsh 7", families["kind"].iloc[0]]
    jobs.loc[len(jobs)] = {
        **jobs.iloc[0],
        "job": "elsewhere-1",
        "family": "Quillmarsh 7",
        "origin": "elsewhere",
    }
    records = replace(awkward_records, families=families, jobs=jobs)
    assert "Quillmarsh 7" not in families_of_interest(records)
    assert set(families_of_interest(records)) == set(awkward_records.families["family"])
    with pytest.raises(InvalidInput, match=r"imported jobs name the family Quillmarsh 7.* working_price"):
        run(records, tmp_path, families=["Quillmarsh 7"])


def test_what_cannot_be_is_refused_before_anything_is_written(
    tmp_path: Path, awkward_records: Records
) -> None:
    out = tmp_path / "out"
    with pytest.raises(UnknownName, match=r"The ledger holds no family 'Quillmarsh'; known: "):
        run(awkward_records, out, families=["Quillmarsh"])
    with pytest.raises(InvalidInput, match="`workers` must be 1 or more; got 0"):
        run(awkward_records, out, workers=0)
    with pytest.raises(ReportError, match=r"The notebooks that show the pages are not in .*none"):
        run(awkward_records, out, notebooks=tmp_path / "none")
    with pytest.raises(InvalidInput, match="The ledger holds no date yet"):
        run(Records.empty(), out)
    assert not (out / "index.html").exists()


def test_a_real_run_of_one_family(
    tmp_path: Path, awkward_records: Records, awkward_pages: list[Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    family = min(
        (page for page in awkward_pages if page.study.kind == "family"), key=lambda page: len(page.shown)
    )
    monkeypatch.setattr(planning, "plan", lambda *_, **__: [family])
    made = make_pages(awkward_records, tmp_path, families=[family.study.subject], workers=1, progress=False)
    assert (made.made, made.remarks) == ((family.target,), ())
    html = (tmp_path / family.target).read_text("utf-8")
    assert "<h1>" in html
    assert "open_study" not in html


def test_a_run_tells_how_far_it_is_on_standard_error(
    tmp_path: Path, awkward_records: Records, planned: list[Page], capsys: pytest.CaptureFixture[str]
) -> None:
    make_pages(awkward_records, tmp_path, executor=Instead())
    said = capsys.readouterr()
    assert said.out == ""
    first, *rest = said.err.splitlines()
    assert first == "Fitting lives, odds and prices …"
    assert len(rest) == len(planned)
    assert rest[-1].startswith(f"{len(planned)}/{len(planned)} ")


def test_the_folder_of_notebooks_is_the_projects_own() -> None:
    assert (NOTEBOOKS / "family.ipynb").is_file()
