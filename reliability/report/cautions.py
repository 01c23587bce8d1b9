"""What can hurt when a unit is opened. Common practice of the trade, no source; local rules come first."""

_FIRST = (
    "Local codes come first: in many places some of this work is reserved for licensed people. "
    "If you are not sure that you may do it, or can, leave it.",
    "Mains voltage kills. Pull the plug before opening; test through an isolating transformer (behind it a "
    "residual-current device no longer helps you), with one hand, and not alone.",
    "Capacitors keep their charge after the plug is out. Discharge the large ones through a resistor and "
    "measure before you touch anything.",
    "Solvents, contact sprays and rust removers burn skin and lungs, and some catch fire: gloves, glasses, "
    "open window, no flame; never mix them.",
    "Worn parts, batteries, solvents and old lamps are waste of their own kind: take them to a collection "
    "point, not to the bin.",
)
_BY_WORD = (
    (
        ("disc", "cd", "laser"),
        "The laser of a disc player is invisible and harms the eye: never look into a running pick-up.",
    ),
    (
        ("receiver", "amplifier", "tuner", "radio", "valve"),
        "Power stages hold dangerous voltage and heat sinks burn: let them cool, then measure.",
    ),
    (
        ("tape", "turntable", "record", "cassette"),
        "Moving parts catch hair, sleeves and fingers: work on a running transport with tools only.",
    ),
    (
        ("television", "monitor", "tube", "microwave"),
        "High-voltage parts hold a deadly charge for days: leave them to trained people.",
    ),
)


def cautions(kind: str = "") -> tuple[str, ...]:
    """Give the cautions for a kind of unit, the general ones first.

    Parameters
    ----------
    kind : str
        Kind as the ledger writes it; empty for pages about all kinds.

    Returns
    -------
    tuple of str
        Plain sentences.
    """
    said = kind.lower()
    return _FIRST + tuple(
        caution for words, caution in _BY_WORD if not said or any(word in said for word in words)
    )
