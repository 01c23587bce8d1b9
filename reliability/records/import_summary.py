"""What an import did, for whoever started it."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class ImportSummary:
    """What an import did.

    Attributes
    ----------
    written, equal : dict of str to int
        Rows by table that are new, and rows that the ledger held already just so.
    new_names : dict of str to tuple of str
        Components, signs, kinds, makers and origins that the ledger had never seen.
    left_out : dict of str to int
        Rows of the file that no table has a place for, counted by why. Every row that was read is
        among these, or in `written` or `equal`.
    remarks : tuple of str
        What else the reader should know, such as rows that look like each other.
    """

    written: dict[str, int]
    equal: dict[str, int]
    new_names: dict[str, tuple[str, ...]]
    left_out: dict[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
