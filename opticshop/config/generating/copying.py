"""Fills in the places of many copies of a pattern at once, as arrays of bytes.

Nothing here knows a table: a ``Slot`` says what belongs where.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .patterns import Template
from .wire import EPOCH_DAYS

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

DAY_MS = 86_400_000
#: An odd number, so that multiplying by it takes 62 bits onto themselves: keys look strewn and none comes twice.
_STREW = np.uint64(0x1D8A_5E3B_94C7_16F5)
_LOW = np.uint64((1 << 62) - 1)
_VARIANT = np.uint64(1 << 63)
_HEX = np.frombuffer(b"".join(b"%02x" % each for each in range(256)), np.uint8).reshape(256, 2)
_FIRST_DAY, _LAST_DAY = -18_262, 29_220  # 1920 to 2049, from 1970


def keys_made(at_ms: Ints, place: int, number: Ints, salt: int) -> Bytes:
    """Keys of version 7 (RFC 9562, 5.7): the milliseconds, the place of the row in its copy, the number of the copy."""
    halves = np.empty((len(number), 2), ">u8")
    halves[:, 0] = (at_ms.astype(np.uint64) << np.uint64(16)) | np.uint64(0x7000 | place)
    halves[:, 1] = _strewn(number, salt)
    return halves.view(np.uint8)


def _strewn(number: Ints, salt: int) -> NDArray[np.uint64]:
    with np.errstate(over="ignore"):
        low = (number.astype(np.uint64) * _STREW + np.uint64(salt)) & _LOW
    return low | _VARIANT


def as_text(keys: Bytes) -> Bytes:
    """Keys as 36 characters."""
    digits = _HEX[keys].reshape(len(keys), 32)
    text = np.full((len(keys), 36), ord("-"), np.uint8)
    for start, end, at in ((0, 8, 0), (8, 12, 9), (12, 16, 14), (16, 20, 19), (20, 32, 24)):
        text[:, at : at + end - start] = digits[:, start:end]
    return text


@lru_cache(maxsize=1)
def _day_texts() -> Bytes:
    days = np.arange(_FIRST_DAY, _LAST_DAY).astype("datetime64[D]")
    return np.frombuffer("".join(np.datetime_as_string(days)).encode(), np.uint8).reshape(-1, 10)


@lru_cache(maxsize=1)
def _digits() -> Bytes:
    return np.frombuffer("".join(f"{each:05d}" for each in range(100_000)).encode(), np.uint8).reshape(-1, 5)


def year_of(day: Ints) -> Ints:
    return day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970


@dataclass
class Copies:
    """Copies of one pattern. Each array has a row for each copy; days count from 1970.

    ``shift`` is by how many days the copy is later than its pattern, ``jitter`` milliseconds that keys differ by.
    """

    number: Ints
    shift: Ints
    jitter: Ints
    customer: Bytes
    branch: Bytes
    code: Bytes
    staff: NDArray[np.uint8]
    born: Ints
    names: dict[str, Bytes]
    papers: dict[int, Ints]
    paper_days: dict[int, int]
    row_times: list[int]
    till: Any
    salt: int
    #: Values that only the one who asks for copies knows, by kind and what they are of.
    given: dict[tuple[str, Any], Bytes] = field(default_factory=dict)
    _made: dict[tuple[str, Any], Bytes] = field(default_factory=dict)

    def values(self, kind: str, of: Any) -> Bytes:
        found = self.given.get((kind, of))
        if found is None:
            found = self._made.get((kind, of))
        if found is None:
            found = self._made[kind, of] = self._value(kind, of)
        return found

    def _value(self, kind: str, of: Any) -> Bytes:
        if kind == "born_text":
            return _day_texts()[self.born - _FIRST_DAY]
        if kind.endswith("_text") and kind != "day_text":
            return as_text(self.values(kind.removesuffix("_text"), of))
        if kind == "own":
            return keys_made(self.row_times[of] + self.shift * DAY_MS + self.jitter, of, self.number, self.salt)
        if kind == "moment":
            return (of + self.shift * (DAY_MS * 1000)).astype(">i8").view(np.uint8).reshape(-1, 8)
        if kind == "day":
            return _as_day(of + self.shift)
        if kind == "day_text":
            return _day_texts()[of + self.shift - _FIRST_DAY]
        if kind == "number":
            return _digits()[self.papers[of]]
        if kind == "year":
            return _digits()[year_of(self.paper_days[of] + self.shift)][:, 1:]
        if kind == "staff":
            return self.staff[:, of]
        if kind == "born":
            return _as_day(self.born)
        if kind == "till":
            return self.till(of + self.shift)
        if kind in self.names:
            return self.names[kind]
        return {"customer": self.customer, "branch": self.branch, "code": self.code}[kind]

    def block(self, template: Template) -> Bytes:
        """The rows of all copies, one after the other."""
        wide = np.empty((len(self.number), len(template.data)), np.uint8)
        wide[:] = np.frombuffer(template.data, np.uint8)
        for slot in template.slots:
            wide[:, slot.offset : slot.offset + slot.width] = self.values(slot.kind, slot.of)
        return wide.reshape(-1)


def _as_day(day: Ints) -> Bytes:
    return (day - EPOCH_DAYS).astype(">i4").view(np.uint8).reshape(-1, 4)
