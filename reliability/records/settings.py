"""The settings of a ledger, with their defaults."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from reliability.errors import InvalidInput, unknown
from reliability.records.currencies import exponent_of
from reliability.records.faults import Refused
from reliability.records.tables import SETTINGS
from reliability.records.values import read_setting


@dataclass(frozen=True)
class Settings:
    """What holds for the whole ledger; amounts in its currency, shares between 0 and 1."""

    currency: str = "EUR"
    hour_rate: float = 0.0
    selling_fee: float = 0.0
    disposal_cost: float = 0.0
    margin: float = 0.0
    caution: float = 0.0
    haggle_room: float = 0.25
    offers_expected: float | None = None
    warranty_days: int = 0
    gap_repaired_share: float | None = None
    count_gaps: str | None = None

    @classmethod
    def from_rows(cls, rows: Iterable[Mapping[str, Any]]) -> Self:
        """Read rows of the settings table.

        Raises
        ------
        InvalidInput
            If a setting is unknown, or does not allow its value.
        """
        given = {str(row["setting"]): row["value"] for row in rows}
        exponent = exponent_of(str(given.get("currency", cls.currency)))
        values: dict[str, Any] = {}
        for name, value in given.items():
            if name not in SETTINGS:
                raise unknown("There is no setting", name, SETTINGS)
            try:
                text = read_setting(SETTINGS[name], value, exponent)
            except Refused as error:
                raise InvalidInput(f"settings, {name}: {error.message}") from None
            if not text:
                raise InvalidInput(f"settings, {name}: is empty; leave the row out for the default")
            kind = {"text": str, "choice": str, "count": int}.get(SETTINGS[name].kind, float)
            values[name] = kind(text)
        return cls(**values)
