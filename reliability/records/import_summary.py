"""What an import did, for whoever started it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ImportSummary:
    """What an import did.

    Attributes
    ----------
    written, equal : dict of str to int
        Rows by table that are new, and rows that the ledger held already just so.
    new_names : dict of str to tuple of str
        Components, signs, kinds, makers and origins that the ledger had never seen.
    """

    written: dict[str, int]
    equal: dict[str, int]
    new_names: dict[str, tuple[str, ...]]
