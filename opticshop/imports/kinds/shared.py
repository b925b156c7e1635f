"""What every kind of row has: columns with the words they are known by, cells read into values, problems in words."""

from __future__ import annotations

import datetime as dt
import re
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from rest_framework import serializers

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.core.text import folded

from ..models import DateFormat, DecimalMark, ImportFile
from ..row_problems import CellUnreadable

_STRPTIME = {
    DateFormat.YMD: "%Y-%m-%d",
    DateFormat.DMY_SLASH: "%d/%m/%Y",
    DateFormat.DMY_DOT: "%d.%m.%Y",
    DateFormat.DMY_DASH: "%d-%m-%Y",
    DateFormat.MDY_SLASH: "%m/%d/%Y",
}
_YES, _NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0", "-"}
_NOT_A_WORD = re.compile(r"[^0-9a-z]+")


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with a row, by our field; the column of the file is found by the mapping. ``kind`` is a kind of
    error, or the code of a shape."""

    field: str
    kind: type[DomainError] | str
    detail: str
    allowed: Any = None

    @property
    def code(self) -> str:
        return self.kind if isinstance(self.kind, str) else self.kind.code


class RowRefused(Exception):
    """The row cannot be taken over, for these reasons."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__("; ".join(problem.detail for problem in problems))
        self.problems = problems


class RowSkipped(RowRefused):
    """Nothing is wrong with the row and nothing is to be done."""


@dataclass(frozen=True, slots=True)
class Made:
    """What a row made or changed."""

    type: str
    id: uuid.UUID


@dataclass(frozen=True, slots=True)
class Job:
    """For whom, where and how a row of a file is taken over."""

    actor: Actor
    branch: Branch
    file: ImportFile
    row: int


Reads = Callable[[str, ImportFile], Any]


def text(cell: str, file: ImportFile) -> str:
    return cell


def number(cell: str, file: ImportFile) -> str:
    """The cell in plain decimal digits, for a shape to check. A comma is read only where it is the decimal mark."""
    if file.decimal_mark == DecimalMark.COMMA and "." not in cell:
        return cell.replace(",", ".")
    if file.decimal_mark == DecimalMark.COMMA or "," in cell:
        raise ValueError(f"digits with {file.decimal_mark!r} before the decimals and nothing between thousands")
    return cell


def day(cell: str, file: ImportFile) -> str:
    try:
        return dt.datetime.strptime(cell, _STRPTIME[DateFormat(file.date_format)]).date().isoformat()  # noqa: DTZ007
    except ValueError as error:
        raise ValueError(f"a day as {file.date_format}") from error


def yes_no(cell: str, file: ImportFile) -> bool:
    word = folded(cell)
    if word not in _YES | _NO:
        raise ValueError("yes or no")
    return word in _YES


@dataclass(frozen=True, slots=True)
class Field:
    """One of our columns and the headings it is known by: our own list, plain words, in any case."""

    name: str
    words: tuple[str, ...] = ()
    reads: Reads = text

    def known_as(self) -> Iterator[str]:
        yield from map(squeezed, (self.name, *self.words))


@dataclass(frozen=True, slots=True)
class RowKind:
    fields: tuple[Field, ...]
    apply: Callable[[Job, dict[str, Any]], Made]
    #: One of each group must be mapped.
    needed: tuple[tuple[str, ...], ...]
    #: What is done once before the first row, in the same transaction; it may set columns of the file.
    prepare: Callable[[Actor, ImportFile], None] | None = None
    #: Names that shapes and services use -> our columns, where they differ.
    called: Mapping[str, str] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        return [each.name for each in self.fields]

    def proposed(self, headings: Iterable[str]) -> dict[str, str]:
        """Our field -> the heading that says it in words we know; the first of several."""
        by_word: dict[str, str] = {}
        for heading in headings:
            if heading:
                by_word.setdefault(squeezed(heading), heading)
        found: dict[str, str] = {}
        for each in self.fields:
            word = next((word for word in each.known_as() if word in by_word), None)
            if word is not None:
                found[each.name] = by_word.pop(word)
        return found

    def values(self, cells: Mapping[str, str], file: ImportFile) -> dict[str, Any]:
        """Cells that are not empty, read. Raises RowRefused."""
        values, problems = {}, []
        for each in self.fields:
            cell = cells.get(each.name, "")
            if not cell:
                continue
            try:
                values[each.name] = each.reads(cell, file)
            except ValueError as error:
                detail = f"{cell[:80]!r} cannot be read."
                problems.append(Problem(each.name, CellUnreadable, detail, str(error)))
        if problems:
            raise RowRefused(*problems)
        return values

    def field_for(self, pointer: str | None) -> str:
        """Our column behind a field that a shape or a service named; empty where there is none."""
        name = (pointer or "").replace(".", "_").replace("/", "_").strip("_")
        name = self.called.get(name, name)
        return name if name in self.names else ""

    def refusal(self, error: DomainError) -> RowRefused:
        return RowRefused(Problem(self.field_for(error.field), type(error), error.detail, error.allowed))

    def shaped(self, shape: type[serializers.Serializer[Any]], body: Mapping[str, Any]) -> dict[str, Any]:
        """The body checked by the very shape that the API has for it. Raises RowRefused with all that is wrong."""
        checked = shape(data=dict(body))
        if checked.is_valid():
            return dict(checked.validated_data)
        details = serializers.ValidationError(checked.errors).get_full_details()
        raise RowRefused(
            *(
                Problem(self.field_for(pointer), f"core.{code}", detail, _choices(checked, pointer))
                for pointer, detail, code in _flat(details)
            )
        )


def squeezed(heading: str) -> str:
    """A heading as its words alone: ``Date of birth (customer)`` -> ``date of birth customer``."""
    return _NOT_A_WORD.sub(" ", folded(heading)).strip()


def _flat(details: Any, path: str = "") -> Iterator[tuple[str, str, str]]:
    if isinstance(details, dict) and set(details) == {"message", "code"}:
        yield path, str(details["message"]), str(details["code"])
    elif isinstance(details, dict):
        for name, inner in details.items():
            yield from _flat(inner, f"{path}/{name}".strip("/"))
    elif isinstance(details, list):
        plain = all(isinstance(each, dict) and set(each) == {"message", "code"} for each in details)
        for index, inner in enumerate(details):
            yield from _flat(inner, path if plain else f"{path}/{index}".strip("/"))


def _choices(shape: serializers.Serializer[Any], pointer: str) -> list[str] | None:
    """What a field takes, where it is a choice."""
    at: Any = shape
    for step in pointer.split("/"):
        at = getattr(at, "child", at) if step.isdigit() else getattr(at, "fields", {}).get(step)
        if at is None:
            return None
    return list(map(str, at.choices)) if isinstance(at, serializers.ChoiceField) else None
