"""Who made a unit, out of what people write under "brand": many spellings, many ways of not knowing."""

import re
from collections import Counter
from collections.abc import Iterable

from reliability.records.open_repair_words import folded, is_nothing

#: "No maker" as a whole cell, in the languages that providers write in.
_NO_MAKER = frozenset(
    (
        # English
        "generic", "other", "others", "various", "misc", "none", "no", "nil", "na", "unk", "tbc", "not sure",
        "dont know", "do not know", "not applicable", "own brand", "home made", "homemade",
        "diy", "n a",
        # Dutch
        "geen", "geen idee", "weet niet", "weet ik niet", "niet van toepassing", "nvt", "n v t",
        "overig", "overige", "diverse", "divers", "ander", "andere", "anders", "staat er niet op",
        "zelfgemaakt",
        # German
        "kein", "keine", "keiner", "ohne", "keine angabe", "k a", "ka", "andere marke", "sonstige",
        "eigenbau", "weiss nicht", "diverses",
        # French
        "aucun", "aucune", "autre", "autres", "nc", "n c", "ne sait pas", "rien",
        # Danish, Norwegian, Swedish
        "ingen", "intet", "mangler", "andet", "annet", "annat", "ovrigt", "ved ikke", "vet ej", "vet ikke",
        "saknas",
        # Spanish, Portuguese, Catalan, Italian
        "ninguna", "ninguno", "otro", "otra", "otros", "s m", "nenhum", "nenhuma", "outro", "outra", "cap",
        "nessuno", "nessuna", "altro", "altra", "non so", "no se",
        # Polish, Czech, Finnish, Hungarian
        "brak", "inne", "inny", "zadna", "jine", "jina", "muu", "ei", "ei tiedossa", "ei ole", "egyeb",
        "nincs",
    )
)  # fmt: skip
#: Words that say so wherever they stand, such as in "clock, brand unknown".
_NO_MAKER_INSIDE = re.compile(
    r"\b(?:"
    r"unknown|not known|no ?name|no (?:brand|make|maker|logo)|unbranded|unlabell?ed|unreadable|illegible"
    r"|onbekende?|ongekend|niet (?:be|ge)kend|(?:geen|gn|zonder) (?:merk|naam)|merkloos|merkloze"
    r"|onleesbaar|niet leesbaar"
    r"|unbekannte?r?|nicht bekannt|(?:keine?|ohne) (?:marke|name|hersteller)|markenlos|unleserlich"
    r"|inconnue?s?|(?:sans|pas de) (?:marque|nom)|illisible|non connue?"
    r"|ukendt|ukjent|okand|okant|ikke (?:kendt|kjent|oplyst|angivet)"
    r"|(?:uden|uten|utan) (?:marke|maerke|merke)"
    r"|desconocid[oa]|desconhecid[oa]|desconegu(?:t|da)|sin (?:marca|nombre)|sem marca|sense marca"
    r"|sconosciut[oa]|ignoto|ignota|senza (?:marca|nome)"
    r"|nieznan[aey]|bez (?:marki|nazwy|znacky)|neznam[aey]|neznackov[aey]|tuntematon|ei merkkia"
    r"|ismeretlen|necunoscuta?|nepoznato|neznano|anhysbys"
    r")\b"
)
#: A cell of more words is a remark, not a name.
MOST_WORDS = 4
_COMPANY = frozenset(("gmbh", "ltd", "inc", "corp", "llc", "plc", "bv", "nv", "srl", "spa"))
#: So often must a name stand alone before longer cells that begin with it are taken for its products.
OFTEN = 3
_DOUBTED = re.compile(r"\(\s*\?+\s*\)")


def maker_key(brand: str) -> str | None:
    """Tell makers apart whatever their spelling; None if a cell names no maker.

    Parameters
    ----------
    brand : str
        As somebody wrote it: ``"Müller & Co."``.

    Returns
    -------
    str or None
        Equal for all spellings of one maker: case, accents, spaces, dots, hyphens, "&" or "and", and the
        form of a company make no difference. None for what says "unknown" in one of many languages, for
        single letters, rows of one letter, and cells of more than `MOST_WORDS` words.
    """
    text = folded(_DOUBTED.sub(" ", brand))
    if is_nothing(brand) or text in _NO_MAKER or _NO_MAKER_INSIDE.search(text):
        return None
    if len(set(text.replace(" ", ""))) < 2 or len(text.split()) > MOST_WORDS:
        return None
    return _key(brand)


def _words(brand: str) -> list[str]:
    return folded(re.sub("[&+]", " and ", _DOUBTED.sub(" ", brand))).split()


def _key(brand: str) -> str:
    words = [word for word in _words(brand) if word != "and"]
    while len(words) > 1 and words[-1] in _COMPANY:
        words.pop()
    return "".join(words)


class Makers:
    """The makers of a file, each under one name.

    Parameters
    ----------
    brands : mapping of str to int
        Every cell of the file and how often it occurs.
    known : iterable of str
        Makers of the ledger; their spelling stands. Otherwise the commonest spelling is taken, and of
        equally common ones one in small and capital letters, then the first by alphabet.
    """

    def __init__(self, brands: Counter[str], known: Iterable[str] = ()) -> None:
        spellings: dict[str, Counter[str]] = {}
        for brand, count in brands.items():
            if key := maker_key(brand):
                spellings.setdefault(key, Counter())[_tidy(brand)] += count
        self._names = {key: _commonest(counts) for key, counts in spellings.items()}
        self._often = {key for key, counts in spellings.items() if counts.total() >= OFTEN}
        self._names |= {key: name for name in sorted(known, reverse=True)
                        if (key := maker_key(name)) in self._names}  # fmt: skip

    def of(self, brand: str) -> str | None:
        """Give the maker that a cell names; None if it names none.

        A cell that begins with a maker who stands alone often enough is about one of its products.
        """
        words = [word for word in _words(brand) if word != "and"]
        for length in range(1, len(words)):
            if (start := "".join(words[:length])) in self._often:
                return self._names[start]
        key = maker_key(brand)
        return None if key is None else self._names.get(key)


def _commonest(counts: Counter[str]) -> str:
    return min(counts, key=lambda name: (-counts[name], name.isupper() or name.islower(), name))


def _tidy(brand: str) -> str:
    return " ".join(_DOUBTED.sub(" ", brand).split())
