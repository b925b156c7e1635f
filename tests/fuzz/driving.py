"""Generates requests for an operation, sends them as a role into the service in this process, judges the answers.

Everything is taken back after each request. The same seed makes the same requests.
"""

from __future__ import annotations

import random
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import schemathesis
from django.core.handlers.wsgi import WSGIHandler
from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.core.failures import Failure, FailureGroup

from tests.access.operations import ROLES, WITHOUT_SIGNING_IN, Operation
from tests.access.walking import SPARED, Walk, undone
from tests.whole_document import document

from .casting import recast
from .checking import checks, configured, excused

ALL = "all roles"


@lru_cache(maxsize=1)
def schema() -> Any:
    """The document as schemathesis reads it, with the service behind it."""
    made = configured(schemathesis.openapi.from_dict(document()))
    made.app = WSGIHandler()
    return made


@dataclass
class Finding:
    """What a check says of one operation; the first request that showed it stands for all."""

    operation: str
    check: str
    status: int
    role: str
    words: str
    request: str
    count: int = 1


@dataclass
class Fuzz:
    walk: Walk
    headers: Mapping[str, Mapping[str, str]]
    seed: int = 0
    answers: defaultdict[str, Counter[int]] = field(default_factory=lambda: defaultdict(Counter))
    findings: dict[tuple[str, str, int], Finding] = field(default_factory=dict)
    not_made: set[str] = field(default_factory=set)

    @property
    def calls(self) -> int:
        return sum(sum(each.values()) for each in self.answers.values())

    def whole_story(self) -> str:
        return "\n\n".join(
            f"{each.operation} as {each.role}: {each.check} ({each.status}), {each.count} times\n"
            f"{each.words}\n{each.request}"
            for each in self.findings.values()
        )

    def generated(self, operation: Operation, role: str, mode: GenerationMode, count: int, turn: int = 0) -> None:
        """Send ``count`` requests made by chance, all well-formed or all malformed."""
        made = schema()[operation.path][operation.method].as_strategy(generation_mode=mode)
        number = zlib.crc32(f"{self.seed} {operation.id} {role} {mode.value} {turn}".encode())

        @seed(number)
        @settings(
            max_examples=count,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            verbosity=Verbosity.quiet,
        )
        @given(made, st.integers(0, 2**32))
        def each(case: Any, dice: int) -> None:
            recast(case, operation, self.walk, random.Random(dice))
            self.send(operation, role, case)

        try:
            each()
        except Unsatisfiable:
            self.not_made.add(f"{operation.id} {mode.value}")

    def covering(self, operation: Operation, role: str) -> Iterator[None]:
        """Send what schemathesis makes by rule: each limit of each field, a header left out, another method."""
        api_operation, chance = schema()[operation.path][operation.method], random.Random(self.seed)
        for case in schema().iter_coverage_cases(
            api_operation,
            generation_modes=[GenerationMode.POSITIVE, GenerationMode.NEGATIVE],
            generation_config=schema().config.generation_for(operation=api_operation, phase="coverage"),
        ):
            recast(case, operation, self.walk, chance)
            self.send(operation, role, case)
            yield

    def send(self, operation: Operation, role: str, case: Any) -> None:
        headers = dict(self.headers.get(role, {}))
        self.walk.failure.words = ""
        with undone():
            response = case.call(headers=headers)
            self.answers[operation.id][response.status_code] += 1
            try:
                case.validate_response(response, checks=checks(), headers=headers)
            except FailureGroup as group:
                for failure in group.exceptions:
                    if not excused(failure, case):
                        self.keep(operation, role, case, response, failure)

    def keep(self, operation: Operation, role: str, case: Any, response: Any, failure: Failure) -> None:
        key = (operation.id, type(failure).__name__, response.status_code)
        if key in self.findings:
            self.findings[key].count += 1
            return
        told = self.walk.failure.words if response.status_code >= 500 else response.text_lossy()[:300]
        words = f"{failure.title}: {failure.message[:600]}\n{told}"
        self.findings[key] = Finding(*key[:2], response.status_code, role, words, _as_text(case))


def _as_text(case: Any) -> str:
    try:
        return str(case.as_curl_command())[:1500]
    except Exception as error:  # a path with odd characters cannot be written as a command
        return f"{case!r:.1500} ({error})"


def roles_of(operation: Operation) -> list[str]:
    """Who may ask, in a fixed order; costly pictures are drawn for one of them."""
    if operation.id in WITHOUT_SIGNING_IN:
        return ["nobody"]
    granted = sorted(ROLES if operation.is_open else operation.roles())
    return granted[:1] if operation.id in SPARED or "/calculators/" in operation.path else granted
