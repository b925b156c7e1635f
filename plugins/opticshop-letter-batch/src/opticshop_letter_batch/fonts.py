"""The typeface: DejaVu Sans (Latin, Greek, Cyrillic), whose files lie in the matplotlib distribution."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD = "LetterBatchSans", "LetterBatchSans-Bold"
_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN", "RLE", "RLO", "RLI"})


@lru_cache(maxsize=1)
def register() -> None:
    """Make the faces known to the PDF library, once a process. Raises FileNotFoundError without matplotlib."""
    spec = find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError("the DejaVu fonts come with matplotlib, which is not installed")
    folder = Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def width(text: str, size: float, font: str = REGULAR) -> float:
    """In points, as `size`."""
    return float(pdfmetrics.stringWidth(text, font, size))


def clean(text: str) -> str:
    """Composed letters, tabs as spaces, without control and formatting characters; line ends as \\n."""
    lines = unicodedata.normalize("NFC", text).replace("\t", "    ").splitlines()
    return "\n".join("".join(c for c in line if unicodedata.category(c) not in ("Cc", "Cf", "Cs")) for line in lines)


def lacking(text: str) -> str:
    """The characters that cannot be printed rightly: not in the typeface, or written from right to left."""
    known = pdfmetrics.getFont(REGULAR).face.charToGlyph
    return "".join(
        sorted(
            {c for c in text if c != "\n" and (ord(c) not in known or unicodedata.bidirectional(c) in _RIGHT_TO_LEFT)}
        )
    )


def printable(text: str) -> str:
    """The text with a question mark for each character that cannot be printed."""
    gone = set(lacking(text))
    return "".join("?" if c in gone else c for c in text) if gone else text
