"""From a matplotlib figure to a picture inside the page that follows its colours, light or dark.

Pictures are inline SVG with real text. Colours are swapped for those of the page's style sheet, and
everything that could differ between two runs (identifiers, dates) is made the same.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from io import BytesIO
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from reliability.report.html import text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Name of a colour in the style sheet -> the hex code by which the drawing knows it. Each code is used once.
INK, SOFT, LINE = "#1d2731", "#55616d", "#d8d4c9"
MODEL, OTHER, THIRD, CARD = "#16557f", "#9a5800", "#713a75", "#ffffff"
_STYLE_NAMES = {
    INK: "ink",
    SOFT: "soft",
    LINE: "line",
    MODEL: "model",
    OTHER: "other",
    THIRD: "third",
    CARD: "card",
}

_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "benchodds",
    "text.parse_math": False,
    "font.family": ["DejaVu Sans"],
    "font.size": 10.5,
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": SOFT,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": LINE,
    "grid.linewidth": 0.7,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "figure.facecolor": "none",
    "legend.frameon": False,
}

_LETTERS = re.compile(r"font-family: [^;\"]*;? ?")


@contextmanager
def drawing(width_inches: float = 4.4, height_inches: float = 3.0) -> Iterator[tuple[Figure, "Axes"]]:
    """Give an empty figure with one pair of axes in the report's look.

    Yields
    ------
    Figure, Axes
        Both are drawn with the settings of the report as long as the block lasts.
    """
    with mpl.rc_context():
        # Neither the reader's own settings nor what another library has set may change a page.
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        figure = Figure(figsize=(width_inches, height_inches), layout="constrained")
        yield figure, figure.subplots()


def picture(figure: Figure, *, title: str, alt: str, says: str = "", wide: bool = False) -> str:
    """Close a figure: its title and reading help as text, the drawing as SVG with a text of its own.

    Parameters
    ----------
    figure : Figure
        Drawn inside `drawing`.
    title : str
        The question that the figure answers; plain text.
    alt : str
        What the figure shows, for those who cannot see it; plain text.
    says : str
        One sentence on how to read it; markup.
    wide : bool
        For figures that need the breadth of a page.

    Returns
    -------
    str
        A ``figure`` element.
    """
    memory = BytesIO()
    blank = {"Date": None, "Creator": None, "Format": None, "Type": None}
    # Not `savefig`: it draws everything once before, to find out what is laid out anyway as it is drawn.
    FigureCanvasSVG(figure).print_svg(memory, metadata=blank)
    svg = _tidied(memory.getvalue().decode("utf-8"), alt)
    kind = ' class="wide"' if wide else ""
    return f"<figure{kind}>\n<figcaption><strong>{text(title)}</strong>{says}</figcaption>\n{svg}\n</figure>"


def _tidied(svg: str, alt: str) -> str:
    """Strip what a page does not need, and name the parts so that two pictures never share a name."""
    body = svg[svg.index("<svg") :]
    box = re.search(r'viewBox="([^"]*)"', body)
    if box is None:
        raise ValueError("matplotlib wrote a picture without a viewBox")
    inside = body[body.index(">") + 1 : body.rindex("</svg>")]
    inside = re.sub(r"<metadata>.*?</metadata>", "", inside, flags=re.DOTALL)
    inside = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", inside, flags=re.DOTALL)
    inside = re.sub(r"<!--.*?-->", "", inside, flags=re.DOTALL)
    inside = _LETTERS.sub("", _own_names(inside).replace("xlink:href", "href"))
    for code, name in _STYLE_NAMES.items():
        inside = inside.replace(code, f"var(--{name}, {code})")
    lines = "\n".join(line.strip() for line in inside.splitlines() if line.strip())
    return f'<svg class="plot" viewBox="{box[1]}" role="img" aria-label="{text(alt)}">\n{lines}\n</svg>'


def _own_names(inside: str) -> str:
    """Keep only the identifiers that something refers to, each with a mark of this one picture."""
    mark = sha256(inside.encode()).hexdigest()[:8]
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', inside))
    inside = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in used else "", inside)
    return re.sub(r'( id="|href="#|url\(#)', rf"\g<1>{mark}-", inside)
