"""The words of the Open Repair Data Standard, and what they are in a ledger.

Versions 0.1 to 0.3 of the standard (Open Repair Alliance) share their words; the columns and the list of
categories are those of v0.3, which the older versions have a part of.
"""

import re
import unicodedata
from collections.abc import Mapping

#: Columns of v0.3 in order. Older versions lack some of those that are not required here.
COLUMNS = (
    "id",
    "data_provider",
    "country",
    "partner_product_category",
    "product_category",
    "product_category_id",
    "brand",
    "year_of_manufacture",
    "product_age",
    "repair_status",
    "repair_barrier_if_end_of_life",
    "group_identifier",
    "event_date",
    "problem",
)
REQUIRED = ("id", "repair_status", "event_date")
CATEGORY_COLUMNS = ("product_category", "partner_product_category", "product_category_id")

#: Categories of v0.3 by their number, from 1.
CATEGORIES = (
    "Aircon/dehumidifier", "Battery/charger/adapter", "Decorative or safety lights", "Desktop computer",
    "Digital compact camera", "DSLR/video camera", "Fan", "Flat screen", "Hair & beauty item",
    "Handheld entertainment device", "Headphones", "Hi-Fi integrated", "Hi-Fi separates", "Kettle", "Lamp",
    "Laptop", "Large home electrical", "Misc", "Mobile", "Musical instrument", "Paper shredder",
    "PC accessory", "Portable radio", "Power tool", "Printer/scanner", "Projector", "Sewing machine",
    "Small home electrical", "Small kitchen item", "Tablet", "Toaster", "Toy",
    "TV and gaming-related accessories", "Vacuum", "Watch/clock", "Coffee maker", "Food processor",
    "Games console", "Hair dryer", "Iron",
)  # fmt: skip
MISCELLANEOUS = "Misc"
#: Category of the kinds that a bench usually has; any other kind is one of its own name, or miscellaneous.
CATEGORY_OF = {
    "tape deck": "Hi-Fi separates",
    "turntable": "Hi-Fi separates",
    "disc player": "Hi-Fi separates",
    "receiver": "Hi-Fi separates",
    "amplifier": "Hi-Fi separates",
    "loudspeaker": "Hi-Fi separates",
    "radio": "Portable radio",
    "video recorder": "TV and gaming-related accessories",
}

UNKNOWN = "Unknown"
#: What a repair status is in a ledger; Unknown is none of its outcomes.
OUTCOMES = {"Fixed": "repaired", "End of life": "scrapped", "Repairable": "sold as is"}
STATUSES = (*OUTCOMES, UNKNOWN)
#: And the other way round. A unit kept for parts is at its end too.
STATUS_OF = {
    "repaired": "Fixed",
    "donor": "End of life",
    "scrapped": "End of life",
    "sold as is": "Repairable",
}

BARRIERS = {
    "Spare parts not available": "parts not available",
    "Spare parts too expensive": "parts too expensive",
    "No way to open product": "cannot be opened",
    "Repair information not available": "no information",
    "Lack of equipment": "no equipment",
    "Item too worn out": "too worn",
}
#: The same barrier as the published schema has it; files write the longer form.
_OTHER_BARRIERS = {"Too worn out": "too worn"}
BARRIER_OF = {why: barrier for barrier, why in BARRIERS.items()}

#: How a cell says that nothing is known, whatever the column.
NOTHING = frozenset(
    ("", "-", "--", "?", "n/a", "na", "nan", "none", "null", "\\n", "nil", "unknown", "undefined")
)


def category_name(text: str) -> str:
    """Give the standard's spelling of a category, by its name or number; other text as it stands."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= len(CATEGORIES):
        return CATEGORIES[int(text) - 1]
    return _SPELLED.get(folded(text), text)


def status_name(text: str) -> str | None:
    """Give the standard's repair status of a cell; None if it is none of them."""
    return UNKNOWN if is_nothing(text) else _STATUS.get(folded(text))


def ended_why(barrier: str) -> str | None:
    """Give the ledger's word for a barrier to repair; None if it has none."""
    return _BARRIER.get(folded(barrier))


def is_nothing(text: str) -> bool:
    """Tell whether a cell says that nothing is known."""
    return text.casefold() in NOTHING


def folded(text: str) -> str:
    """Give letters and digits of a text without accents, lower case, words divided by one space."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ø", "o").replace("æ", "ae"))
    bare = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return " ".join(re.findall(r"[^\W_]+", bare))


def _by_folded(words: Mapping[str, str]) -> dict[str, str]:
    return {folded(word): meaning for word, meaning in words.items()}


_SPELLED = _by_folded({name: name for name in CATEGORIES})
_STATUS = _by_folded({name: name for name in STATUSES})
_BARRIER = _by_folded({**BARRIERS, **_OTHER_BARRIERS})
