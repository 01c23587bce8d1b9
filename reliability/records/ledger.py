"""The ledger: jobs and reference rows in a database that keeps every version of them."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete

from reliability.errors import InvalidInput, unknown
from reliability.records import store
from reliability.records.checks import JobDocument, check_document, check_rows
from reliability.records.faults import Fault, refuse
from reliability.records.merging import merge_document
from reliability.records.opening import open_engine, parse_url, transaction, worded
from reliability.records.problems import Problem
from reliability.records.reading import LedgerReader, document_in
from reliability.records.schema import SQL_TABLES
from reliability.records.values import Value, clean_text
from reliability.records.writing import add_families, append_job, keep_model, put_rows, write_job

__all__ = ["JobDocument", "Ledger", "Problem", "check_document", "check_rows", "open_ledger"]

#: Tables that `put` writes; jobs and what belongs to them go in as whole documents.
REFERENCE_TABLES = ("settings", "families", "models", "parts", "hearsay")


def open_ledger(url: str | Path, *, create: bool = False) -> "Ledger":
    """Open a ledger.

    Parameters
    ----------
    url : str or Path
        A file, or a SQLAlchemy URL of SQLite or PostgreSQL.
    create : bool
        Whether to make it where there is none.

    Returns
    -------
    Ledger
        To be closed by the caller; it is a context manager too.

    Raises
    ------
    LedgerError
        If there is none, it cannot be opened, or is not a ledger that this version reads.
    """
    parsed = parse_url(url)
    notes: list[str] = []
    return Ledger(open_engine(parsed, create=create, notes=notes), parsed, notes)


class Ledger(LedgerReader):
    """An open ledger. Every method is one transaction; any number of writers may share it.

    Parameters
    ----------
    engine : Engine
        As `open_ledger` prepares it.
    url : URL
        Where it is, for messages.
    """

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a transaction that shuts other writers out; it writes all or nothing."""
        with worded(self._url), transaction(self._engine, write=True) as connection:
            yield connection

    def intake(
        self,
        document: JobDocument,
        *,
        new_families: Iterable[Mapping[str, Any]] = (),
        new_components: Collection[str] = (),
        new_model: bool = False,
    ) -> str:
        """Take a unit in: give it the next number and write it as open.

        Parameters
        ----------
        document : JobDocument
            Family, date and what is known so far. A number in it is kept if it is free.
        new_families : iterable of mapping
            Rows of families that the ledger does not know yet; they go in with the job or not at all.
        new_components : collection of str
            Components that the ledger has never seen and that are meant so.
        new_model : bool
            Whether a name on the front panel that is new becomes a model of the family.

        Returns
        -------
        str
            The job number.

        Raises
        ------
        InvalidInput
            With every fault; nothing is written then.
        """
        job = {"outcome": "open", **_said(document.get("job", {}))}
        if job["outcome"] != "open":
            raise InvalidInput(
                f"outcome {job['outcome']!r}: intake writes open jobs; use add for finished ones"
            )
        with self.writing() as connection:
            exponent = store.exponent_in(connection)
            faults = add_families(connection, new_families, exponent, "described at intake")
            whole = {**document, "job": job}
            written = append_job(connection, whole, new_components, "taken in", faults)
            if new_model:
                keep_model(connection, written["job"], exponent)
        return str(written["job"]["job"])

    def add(
        self,
        document: JobDocument,
        *,
        new_families: Iterable[Mapping[str, Any]] = (),
        new_components: Collection[str] = (),
        new_model: bool = False,
        is_new: bool = False,
        reason: str = "added",
    ) -> str:
        """Append a finished job, or finish the open job that the document names.

        Parameters
        ----------
        document : JobDocument
            Of an open job only what is new: columns and rows that are not given stay.
        new_families : iterable of mapping
            Rows of families that the ledger does not know yet.
        new_components : collection of str
            Components that the ledger has never seen and that are meant so.
        new_model : bool
            Whether a name on the front panel that is new becomes a model of the family.
        is_new : bool
            Whether no job of that number is to be there: one that was given out meanwhile is a fault.
        reason : str
            Kept in the history.

        Returns
        -------
        str
            The job number.

        Raises
        ------
        InvalidInput
            With every fault; nothing is written then.
        """
        number = document.get("job", {}).get("job")
        with self.writing() as connection:
            exponent = store.exponent_in(connection)
            named = clean_text(number) if isinstance(number, str) else ""
            old = store.fetch_document(connection, named, exponent) if named else None
            faults = add_families(connection, new_families, exponent, reason)
            if old is not None and (held := _cannot_be_finished(old["job"], is_new)):
                refuse([*faults, Fault("job", "job", held)])
            merged = merge_document(old, document, emptying=False) if old else document
            if merged.get("job", {}).get("outcome") == "open":
                faults.append(
                    Fault("job", "outcome", "a job that is added is finished; intake writes open ones")
                )
            if old is None:
                written = append_job(connection, merged, new_components, reason, faults)
            else:
                written = write_job(
                    connection, merged, exponent, new_components, reason, old=old, faults=faults
                )
            if new_model:
                keep_model(connection, written["job"], exponent)
        return str(written["job"]["job"])

    def amend(
        self, job: str, changes: Mapping[str, Any], *, reason: str, new_components: Collection[str] = ()
    ) -> int:
        """Write a new version of a job; the old one is kept.

        Parameters
        ----------
        job : str
            Its number.
        changes : JobDocument-like
            Only what changes. None empties a column; a finding, sign or follow-up is matched by
            its key, and taken out where its `found`, `seen` or `working` is given as None.
        reason : str
            Why, in the history.
        new_components : collection of str
            Components that the ledger has never seen and that are meant so.

        Returns
        -------
        int
            Which version it is.

        Raises
        ------
        InvalidInput
            With every fault, or if nothing would change.
        """
        if not reason.strip():
            raise InvalidInput("An amendment needs a reason; it is kept in the history. Nothing was written.")
        with self.writing() as connection:
            written = self._amend(connection, job, changes, reason, new_components)
            return len(store.versions(connection, "jobs", str(written["job"]["job"])))

    def _amend(
        self,
        connection: Connection,
        job: str,
        changes: Mapping[str, Any],
        reason: str,
        new_components: Collection[str] = (),
    ) -> JobDocument:
        exponent = store.exponent_in(connection)
        old = document_in(connection, job, exponent)
        named = changes.get("job", {}).get("job", old["job"]["job"])
        if named != old["job"]["job"]:
            raise InvalidInput(f"A job keeps its number: {job} cannot become {named!r}. Nothing was written.")
        merged = merge_document(old, changes, emptying=True)
        return write_job(connection, merged, exponent, new_components, reason, old=old)

    def sold(self, job: str, price: object, on: object) -> dict[str, Value]:
        """Record the sale of a unit; give its row of jobs.

        Raises
        ------
        InvalidInput
            If it was sold already, or price or date break a rule.
        """
        with self.writing() as connection:
            before = document_in(connection, job, store.exponent_in(connection))["job"]
            if before["sold_for"] is not None or before["sold_on"] is not None:
                price_then = before["sold_for"] or "price not known"
                day_then = before["sold_on"] or "day not known"
                raise InvalidInput(
                    f"Job {job} was sold already ({price_then}, {day_then}); amend corrects it."
                )
            row: dict[str, Value] = self._amend(
                connection, job, {"job": {"sold_for": price, "sold_on": on}}, "sold"
            )["job"]
        return row

    def followup(self, job: str, row: Mapping[str, Any], *, new_components: Collection[str] = ()) -> None:
        """Record what became of a repaired unit (a row of followups without the job)."""
        self.amend(job, {"followups": [dict(row)]}, reason="followed up", new_components=new_components)

    def withdraw(self, job: str, *, reason: str) -> None:
        """Take a job out that never was one; its versions stay, its number is not used again."""
        if not reason.strip():
            raise InvalidInput("A withdrawal needs a reason; it is kept in the history. Nothing was written.")
        with self.writing() as connection:
            number = document_in(connection, job, store.exponent_in(connection))["job"]["job"]
            store.remove_parts(connection, number)
            connection.execute(delete(SQL_TABLES["jobs"]).where(SQL_TABLES["jobs"].c.job == number))
            store.keep_version(connection, "jobs", number, reason, None)

    def put(self, table: str, rows: Iterable[Mapping[str, Any]], *, reason: str) -> None:
        """Insert reference rows, or write new versions of them.

        Parameters
        ----------
        table : str
            One of settings, families, models, parts, hearsay.
        rows : iterable of mapping
            Matched by key; of a known row only the given columns change, None empties one.
        reason : str
            Kept in the history.

        Raises
        ------
        InvalidInput
            With every fault; nothing is written then.
        """
        if table not in REFERENCE_TABLES:
            raise unknown("put writes no table", table, REFERENCE_TABLES)
        with self.writing() as connection:
            exponent = store.exponent_in(connection)
            refuse(put_rows(connection, table, rows, exponent, reason))


def _cannot_be_finished(job: Mapping[str, Any], is_new: bool) -> str | None:
    """Say why a job that is there is not the one that is added, if it is not."""
    if job["outcome"] != "open":
        return f"job {job['job']} is finished already ({job['outcome']}); amend corrects it"
    if is_new:
        return (
            f"{job['job']} was given out meanwhile, to a {job['family']} taken in {job['taken_in']}; if that "
            "is another unit, take the number out of the sheet, else add the sheet again"
        )
    return None


def _said(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value is not None}
