import shutil

from reliability.records.ledger import ledger_mark, open_ledger


def test_a_mark_changes_with_every_write_and_with_nothing_else(ledger, finished):
    marks = [ledger_mark(ledger)]
    assert ledger_mark(ledger) == marks[0]
    number = ledger.add(finished())
    marks.append(ledger_mark(ledger))
    ledger.amend(number, {"job": {"hours": 2}}, reason="timed")
    marks.append(ledger_mark(ledger))
    ledger.put("settings", [{"setting": "margin", "value": "10"}], reason="dearer")
    marks.append(ledger_mark(ledger))
    ledger.withdraw(number, reason="never came")
    marks.append(ledger_mark(ledger))
    ledger.rows("jobs")
    assert ledger_mark(ledger) == marks[-1]
    assert len(set(marks)) == len(marks)


def test_another_ledger_has_another_mark(ledger, file, tmp_path):
    ledger.close()
    shutil.copy(file, tmp_path / "copy.db")
    with open_ledger(tmp_path / "copy.db") as copy:
        assert ledger_mark(copy) != ledger_mark(ledger)
    with open_ledger(tmp_path / "empty.db", create=True) as empty:
        assert len(ledger_mark(empty)) == 64
