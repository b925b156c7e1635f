"""Copies that nothing leads to: kept answers and rows of imports that were not taken over.

They are found by reading them all, once for all persons that are erased together.
"""

from __future__ import annotations

import json
import re
import uuid
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from opticshop.core.models import IdempotencyRecord
from opticshop.imports.models import ImportRow

from ..obstacles import Marks
from ..persons import CHUNK, Person, chunks

#: A text shorter than this is no mark of a person.
SHORTEST = 4
_KEY = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@dataclass(frozen=True)
class Copies:
    """Keys of what names each person, by the key of the record that speaks for them."""

    answers: Mapping[uuid.UUID, Collection[uuid.UUID]]
    rows: Mapping[uuid.UUID, Collection[uuid.UUID]]

    def empty(self, person: Person, more_rows: Collection[uuid.UUID] = ()) -> Counter[str]:
        """Empty what names the person. A request that is repeated still writes nothing, and is answered nothing."""
        answers = self.answers.get(person.root.id, ())
        for keys in chunks(answers):
            IdempotencyRecord.objects.filter(id__in=keys).update(body=b"{}")
        rows = ImportRow.objects.everywhere("rows of one person, permission checked by the caller")
        found = sorted({*self.rows.get(person.root.id, ()), *more_rows})
        for keys in chunks(found):
            rows.filter(id__in=keys).update(cells=[], problems=[], external_id="")
        return Counter({"core_idempotencyrecord": len(answers), "imports_importrow": len(found)})


def copies_search(persons: Sequence[Person]) -> Copies:
    """Read every kept answer and every row that was not taken over, and say whom of the persons each names."""
    if not persons:
        return Copies({}, {})
    return Copies(_answers(persons), _rows(persons))


def _answers(persons: Sequence[Person]) -> dict[uuid.UUID, list[uuid.UUID]]:
    """Answers that name a row, an address or the name of a person."""
    owners = {str(key): each.root.id for each in persons for keys in each.keys.values() for key in keys}
    texts = {(mark, each.root.id) for each in persons for mark in _texts(each)}
    found = defaultdict(list)
    records = IdempotencyRecord.objects.exclude(status=None).exclude(body=b"{}").values_list("id", "body")
    for key, body in records.iterator(chunk_size=CHUNK):
        answer = bytes(body or b"").decode("utf-8", "replace")
        named = {owners[each] for each in set(_KEY.findall(answer)) if each in owners}
        for whom in named | {whom for text, whom in texts if text in answer}:
            found[whom].append(key)
    return found


def _texts(person: Person) -> set[str]:
    """As JSON writes them. What stands in place of the name of who is erased is no mark of theirs."""
    named = [each for each in person.records if each.erased_at is None]
    marks = {mark for each in named for mark in (each.email, each.phone, each.phone_e164, str(each)) if mark}
    return {json.dumps(mark, ensure_ascii=False)[1:-1] for mark in marks if len(mark) >= SHORTEST}


def _rows(persons: Sequence[Person]) -> dict[uuid.UUID, list[uuid.UUID]]:
    rows = ImportRow.objects.everywhere("rows that may name one person, permission checked by the caller")
    marks = [(each.root.id, Marks.of(each)) for each in persons]
    found = defaultdict(list)
    unsettled = rows.exclude(state=ImportRow.State.DONE).exclude(cells=[]).values_list("id", "cells")
    for key, cells in unsettled.iterator(chunk_size=CHUNK):
        line = " ".join(map(str, cells))
        for whom, mark in marks:
            if mark.stand_in(line):
                found[whom].append(key)
    return found
