"""Units on offer in the weeks after the demo's last job, plain ones and awkward ones."""

from reliability.simulate.recorder import Row

COLUMNS = ("offer", "family", "model", "kind", "working_price", "built_from", "built_to", "asked", "seen_on")
SIGNS = (
    "no power", "dead transport", "rust", "sticky residue", "burnt smell", "hum", "no sound",
    "missing parts", "damp store", "smells of smoke",
)  # fmt: skip


def _offer(
    offer: str, day: int, asked: float | None, *, family: str | None = None, model: str | None = None,
    built: tuple[int, int] | None = None, kind: str | None = None, working_price: float | None = None,
    yes: tuple[str, ...] = (), no: tuple[str, ...] = (),
) -> Row:  # fmt: skip
    row: Row = dict(zip(COLUMNS, (offer, family, model, kind, working_price), strict=False))
    row["built_from"], row["built_to"] = built or (None, None)
    row["asked"], row["seen_on"] = asked, f"2026-11-{day:02d}"
    return row | {sign: "yes" if sign in yes else "no" if sign in no else None for sign in SIGNS}


_CLEAN = ("no power", "dead transport", "rust", "missing parts")

OFFERS: tuple[Row, ...] = (
    # Plain cases of the families with many jobs, with and without bad signs.
    _offer("fair-01", 2, 30.0, family="Obbelin 310", built=(1982, 1982), no=_CLEAN),
    _offer("fair-02", 2, 45.0, model="Obbelin 310 S", built=(1980, 1984), yes=("dead transport",),
           no=("rust",)),
    _offer("fair-03", 2, 25.0, family="Obbelin 310", yes=("rust", "no power", "damp store")),
    _offer("fair-04", 2, 120.0, family="Obbelin 550", built=(1986, 1986), no=_CLEAN),
    _offer("fair-05", 2, 210.0, family="Obbelin 550", no=("no power",)),
    # The same family before and after its gear material changed, and a window across the change.
    _offer("fair-06", 2, 30.0, family="Pellowick 22", built=(1981, 1981), no=("rust", "no power")),
    _offer("fair-07", 2, 30.0, family="Pellowick 22", built=(1986, 1986), no=("rust", "no power")),
    _offer("fair-08", 2, 20.0, family="Pellowick 22", built=(1982, 1986), no=("rust", "no power")),
    _offer("fair-09", 2, 5.0, family="Yarrowen C7", built=(1988, 1990), yes=("sticky residue",)),
    _offer("fair-10", 2, 130.0, family="Fennimoor Reel 4", yes=("dead transport",),
           no=("rust", "damp store")),
    _offer("barn-01", 7, 80.0, family="Hulverby D2", built=(1979, 1979), no=("rust", "no power", "hum")),
    _offer("barn-02", 7, 120.0, model="Hulverby D3", yes=("rust",), no=("no power",)),
    _offer("barn-03", 7, 25.0, family="Hulverby B1", yes=("missing parts",), no=("rust",)),
    _offer("barn-04", 7, 85.0, family="Crowmarl 60", built=(1966, 1970), no=("no power", "rust")),
    _offer("barn-05", 7, 15.0, family="Tavisk 100", built=(1989, 1989), yes=("dead transport",),
           no=("rust",)),
    _offer("barn-06", 7, 0.0, family="Tavisk 700", no=_CLEAN),
    _offer("barn-07", 7, 24.0, family="Ploverine P5", built=(1995, 1995), no=("no power", "dead transport")),
    _offer("barn-08", 7, 110.0, family="Pellowick R40", built=(1977, 1977),
           no=("burnt smell", "no power", "hum", "rust")),
    _offer("barn-09", 7, 60.0, family="Pellowick R40", yes=("burnt smell", "no sound"), no=("rust",)),
    _offer("barn-10", 7, 70.0, family="Ploverine 2020", built=(1981, 1983), no=("burnt smell", "no sound")),
    # Awkward ones: a family without a job, no price asked, a sign that nobody ever wrote down,
    # families that the ledger does not know, with and without a kind.
    _offer("web-01", 14, 60.0, family="Obbelin R9", built=(1984, 1984), no=("no power", "burnt smell")),
    _offer("web-02", 14, None, family="Hulverby D2", built=(1978, 1981), no=("rust",)),
    _offer("web-03", 14, 28.0, family="Obbelin 310", yes=("smells of smoke",), no=("rust", "no power")),
    _offer("web-04", 15, 50.0, family="Wendrake W12", kind="turntable", working_price=180.0,
           built=(1975, 1980),
           no=("rust",)),
    _offer("web-05", 15, 20.0, family="Skaddon 7", no=("no power",)),
    _offer("web-06", 15, 98.0, model="Pellowick R45", built=(1975, 1979), yes=("hum",),
           no=("rust", "burnt smell")),
)  # fmt: skip
