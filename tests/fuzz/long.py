"""The long run, started by ``tests.fuzz.run``; it is no part of the suite."""

from __future__ import annotations

import itertools
import os
import random
import time
from collections.abc import Iterator

import pytest
from schemathesis import GenerationMode

from tests.access.operations import Operation, operations

from .driving import ALL, Fuzz, roles_of
from .linking import chained

pytestmark = pytest.mark.django_db


def _asked(name: str) -> str:
    return os.environ.get(f"OPTICSHOP_FUZZ_{name}", "")


class Clock:
    def __init__(self, minutes: float) -> None:
        self.end = time.monotonic() + 60 * minutes

    @property
    def is_up(self) -> bool:
        return time.monotonic() >= self.end


def test_for_as_long_as_was_asked(fuzz: Fuzz):
    fuzz.seed, clock = int(_asked("SEED") or 0), Clock(float(_asked("MINUTES") or 1))
    wanted = [each for each in operations() if _asked("OPERATION") in each.id]
    random.Random(fuzz.seed).shuffle(wanted)
    try:
        for _ in _turns(fuzz, wanted, clock):
            if clock.is_up:
                break
    finally:
        print(table(fuzz))
    assert not fuzz.findings


def _turns(fuzz: Fuzz, wanted: list[Operation], clock: Clock) -> Iterator[None]:
    """By rule once as the one who may the most, then by chance as each role, then in chains, and round again."""
    only, each = _asked("ONLY"), int(_asked("EACH") or 8)
    if only in ("", "rule"):
        for operation in wanted:
            for _ in fuzz.covering(operation, ALL):
                yield
    if only == "rule":
        return
    for turn in itertools.count():
        for place, operation in enumerate(wanted if only in ("", "chance") else ()):
            roles = [_asked("ROLE")] if _asked("ROLE") else roles_of(operation)
            role = roles[(turn + place) % len(roles)]
            for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
                fuzz.generated(operation, role, mode, each, turn)
                yield
        if only in ("", "chains"):
            chained(fuzz, _asked("ROLE") or ALL, 40, turn)
            yield


def table(fuzz: Fuzz) -> str:
    """Calls by status for each operation, then what was found."""
    found = {id: [each for each in fuzz.findings.values() if each.operation == id] for id in fuzz.answers}
    lines = [f"{'operation':<46} {'calls':>6}  answers"]
    for id, answers in sorted(fuzz.answers.items()):
        told = " ".join(f"{status}:{count}" for status, count in sorted(answers.items()))
        marks = "".join(f"  ! {each.check} ({each.status})" for each in found[id])
        lines.append(f"{id:<46} {sum(answers.values()):>6}  {told}{marks}")
    if fuzz.not_made:
        lines.append(f"no request could be made: {', '.join(sorted(fuzz.not_made))}")
    lines += ["", fuzz.whole_story(), f"{fuzz.calls} requests with seed {fuzz.seed}, {len(fuzz.findings)} findings"]
    return "\n".join(lines)
