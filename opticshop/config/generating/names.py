"""Names put together from syllables. Each says that it is invented, so that nobody takes it for a person's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FIRST = (
    "Bra",
    "Ce",
    "Dov",
    "El",
    "Fa",
    "Gri",
    "Ho",
    "Ju",
    "Kel",
    "Lo",
    "Mi",
    "Ny",
    "Or",
    "Pel",
    "Qui",
    "Ru",
    "Sy",
    "Tav",
)
MIDDLE = ("la", "ri", "mo", "ne", "du", "va", "so", "ti", "ke", "pa", "zu", "bi")
LAST = ("x", "th", "ron", "sk", "vel", "mun", "dra", "lish", "pet", "gor", "wyn", "tas")
MARK = " (invented)"


def given_names(rng: np.random.Generator, count: int) -> NDArray[np.str_]:
    """``count`` given names of two syllables."""
    return np.char.add(_pick(rng, FIRST, count), _pick(rng, MIDDLE, count))


def family_names(rng: np.random.Generator, count: int) -> NDArray[np.str_]:
    """``count`` family names of four syllables, each with ``MARK`` behind."""
    names = np.char.add(_pick(rng, FIRST, count), _pick(rng, MIDDLE, count))
    names = np.char.add(np.char.add(names, _pick(rng, MIDDLE, count)), _pick(rng, LAST, count))
    return np.char.add(names, MARK)


def _pick(rng: np.random.Generator, syllables: tuple[str, ...], count: int) -> NDArray[np.str_]:
    return np.array(syllables)[rng.integers(len(syllables), size=count)]
