"""File names of pages: readable, the same on every system, never two pages on one file."""

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable
from hashlib import sha256

_RESERVED = {"con", "prn", "aux", "nul"} | {f"{each}{i}" for each in ("com", "lpt") for i in range(10)}
_LONGEST = 60


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Give each name a file name of its own, without the ending.

    Parameters
    ----------
    names : iterable of str
        Names as the ledger writes them.

    Returns
    -------
    dict
        Name -> lower-case letters, digits and hyphens. A name that would lose its meaning (no Latin
        letter, too long) or share its file with another one carries a few digits of its own checksum.

    Examples
    --------
    >>> slugs(["Tarnwick T2", "Dallow 80"])
    {'Tarnwick T2': 'tarnwick-t2', 'Dallow 80': 'dallow-80'}
    """
    plain = {each: _plain(each) for each in names}
    taken = Counter(plain.values())
    return {
        each: base if taken[base] == 1 and _is_enough(each, base) else _marked(each, base)
        for each, base in plain.items()
    }


def _plain(name: str) -> str:
    spread = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", spread.lower()).strip("-")


def _is_enough(name: str, base: str) -> bool:
    letters = sum(each.isalnum() for each in name)
    kept = sum(each.isalnum() for each in base)
    return kept >= letters > 0 and len(base) <= _LONGEST and base not in _RESERVED


def _marked(name: str, base: str) -> str:
    mark = sha256(name.encode()).hexdigest()[:8]
    return f"{base[:_LONGEST].strip('-')}-{mark}".lstrip("-")
