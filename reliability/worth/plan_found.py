"""What has been found so far on a unit that lies on the bench."""

from collections.abc import Mapping, Sequence
from typing import Any

SOUND, WORN, FAILED, MENDED, NO_PART = "sound", "worn", "failed", "mended", "no part"
FOUND = (SOUND, WORN, FAILED, MENDED, NO_PART)
"""What may have been found so far; `no part` = failed, and a replacement cannot be had."""

_WORST = (SOUND, WORN, MENDED, FAILED, NO_PART)


def read_findings(findings: Sequence[Mapping[str, Any]]) -> tuple[dict[str, str], dict[str, str]]:
    """Read rows of findings as what is known of each component; the worst of its positions counts.

    Parameters
    ----------
    findings : sequence of mapping
        Rows of one open job.

    Returns
    -------
    found : dict of str to str
        One of `FOUND` by component: where its work stands.
    telling : dict of str to str
        The state in which it arrived, for those whose state tells of the rest of the unit: original
        parts, or not known to be others. A part that died on the bench arrived sound.
    """
    found: dict[str, str] = {}
    telling: dict[str, str] = {}
    for row in findings:
        name = row["component"]
        stands = _standing(row["found"], row.get("action"))
        found[name] = max(found.get(name, stands), stands, key=_WORST.index)
        if row.get("original") != "no":
            died = row["found"] == FAILED and row.get("arose") == "during work"
            arrived = SOUND if died else row["found"]
            telling[name] = max(telling.get(name, arrived), arrived, key=_WORST.index)
    return found, telling


def _standing(found: str, action: str | None) -> str:
    if found != FAILED:
        return found
    if action == NO_PART:
        return NO_PART
    return MENDED if action in ("serviced", "replaced", "rebuilt") else FAILED
