"""The typeface of all papers: DejaVu Sans, which holds Latin, Greek and Cyrillic.

The font files lie in the matplotlib distribution, a dependency of this project; they are found without importing it.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from reportlab.lib.fonts import addMapping
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD, ITALIC = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"
#: For SVG, where the viewer's machine has the last word.
SVG_FAMILY = "'DejaVu Sans', Verdana, Arial, sans-serif"


def font_folder() -> Path:
    """Where the font files are. Raises FileNotFoundError when matplotlib is not installed."""
    spec = find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError("the DejaVu fonts come with matplotlib, which is not installed")
    return Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


@lru_cache(maxsize=1)
def register() -> None:
    """Make the three faces known to the PDF library, once per process."""
    for name in (REGULAR, BOLD, ITALIC):
        pdfmetrics.registerFont(TTFont(name, str(font_folder() / f"{name}.ttf")))
    for bold, italic, name in ((0, 0, REGULAR), (1, 0, BOLD), (0, 1, ITALIC), (1, 1, BOLD)):
        addMapping(REGULAR, bold, italic, name)


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of text, in the unit of ``size``."""
    register()
    return float(pdfmetrics.stringWidth(text, BOLD if bold else REGULAR, size))
