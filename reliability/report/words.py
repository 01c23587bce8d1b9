"""How numbers and findings are said: plain, short, the same on every page."""

import datetime
import math
from collections.abc import Sequence

NOTHING = "–"
HARD_SPACE = "\u00a0"
INTERVAL = f"90{HARD_SPACE}% interval"


def is_known(value: object) -> bool:
    """Tell whether a value is there: not None, not NaN, not an empty text."""
    if value is None or value == "":
        return False
    return not (isinstance(value, float) and math.isnan(value))


def share(value: float | None) -> str:
    r"""Say a probability in whole percent; near the ends as a bound, never as certainty.

    Examples
    --------
    >>> share(0.347), share(0.001), share(0.999)
    ('35\xa0%', 'under 1\xa0%', 'over 99\xa0%')
    """
    if value is None or not is_known(value):
        return NOTHING
    if value < 0.005:
        return f"under 1{HARD_SPACE}%"
    if value >= 0.995:
        return f"over 99{HARD_SPACE}%"
    return f"{_rounded(100 * value)}{HARD_SPACE}%"


def span(low: float | None, high: float | None) -> str:
    """Say the interval of a probability in whole percent, ``21 to 50 %``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    return f"{_rounded(100 * low)} to {_rounded(100 * high)}{HARD_SPACE}%"


def money(value: float | None, currency: str) -> str:
    """Say an amount in whole units of the currency, with a real minus sign."""
    if value is None or not is_known(value):
        return NOTHING
    whole = _rounded(value)
    return f"{'−' if whole < 0 else ''}{abs(whole):,}".replace(",", "\u202f") + f"{HARD_SPACE}{currency}"


def money_span(low: float | None, high: float | None, currency: str) -> str:
    """Say a range of amounts, ``−20 to 85 EUR``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    return f"{money(low, currency).removesuffix(currency).strip()} to {money(high, currency)}"


def hours(value: float | None) -> str:
    """Say bench time to a tenth of an hour below ten hours, in whole hours above."""
    if value is None or not is_known(value):
        return NOTHING
    said = f"{value:.1f}".removesuffix(".0") if value < 10 else str(_rounded(value))
    return f"{said}{HARD_SPACE}h"


def years(value: float | None) -> str:
    """Say an age or a life in whole years; more than two centuries is only a bound."""
    if value is None or not is_known(value):
        return NOTHING
    if value > 200:
        return f"over 200{HARD_SPACE}years"
    said = f"{value:.1f}".removesuffix(".0") if value < 3 else str(_rounded(value))
    return f"{said}{HARD_SPACE}{'year' if said == '1' else 'years'}"


def years_span(low: float | None, high: float | None) -> str:
    """Say a range of ages, ``11 to 19 years``; an end that is not known is none."""
    upper = years(high) if high is not None and is_known(high) else "no end"
    if low is None or not is_known(low):
        return f"up to {upper}"
    return f"{years(low).partition(HARD_SPACE)[0]} to {upper}"


def counted(number: int, one: str, many: str = "") -> str:
    """Say a count with its noun, ``1 job`` or ``12 jobs``; none is ``no jobs``."""
    noun = one if number == 1 else (many or f"{one}s")
    return f"{number or 'no'} {noun}"


def listed(items: Sequence[str], joint: str = "and") -> str:
    """Join items for a sentence, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def day(value: datetime.date | None) -> str:
    """Say a date the way it stands in the ledger, ``2026-05-17``."""
    return value.isoformat() if value is not None else NOTHING


def shortened(value: str, most: int = 28) -> str:
    """Cut a long name for a picture; the full one stands in the table beside it."""
    return value if len(value) <= most else value[: most - 1].rstrip() + "…"


def _rounded(value: float) -> int:
    """Round half away from zero, as people do; never gives minus zero."""
    return int(math.copysign(math.floor(abs(value) + 0.5), value))
