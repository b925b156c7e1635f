"""Chains of requests: what one answer names is asked for by the next, along the links that schemathesis infers."""

from __future__ import annotations

import random
import zlib
from typing import Any

from django.db import transaction
from hypothesis import HealthCheck, Phase, Verbosity, seed, settings
from schemathesis.core.failures import FailureGroup

from tests.access.operations import Operation, operations

from .casting import recast
from .checking import checks, excused
from .driving import Fuzz, schema


def chained(fuzz: Fuzz, role: str, chains: int, turn: int = 0, steps: int = 12) -> None:
    """Walk ``chains`` chains of up to ``steps`` requests as a role; each chain is taken back when it ends."""
    by_place = {(each.path, each.method): each for each in operations()}

    class Chain(schema().as_state_machine()):  # type: ignore[misc]
        def setup(self) -> None:
            self.begun = transaction.atomic()
            self.begun.__enter__()

        def teardown(self) -> None:
            transaction.set_rollback(True)
            self.begun.__exit__(None, None, None)

        def _step(self, input: Any) -> Any:
            """Only what no link filled in is recast."""
            if not input.is_applied:
                operation = _operation(by_place, input.case)
                recast(input.case, operation, fuzz.walk, random.Random(zlib.crc32(repr(input.case).encode())))
            return self.step(input)

        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"headers": dict(fuzz.headers.get(role, {}))}

        def validate_response(self, response: Any, case: Any, additional_checks: Any = None, **kwargs: Any) -> None:
            operation = _operation(by_place, case)
            fuzz.answers[operation.id][response.status_code] += 1
            try:
                case.validate_response(
                    response,
                    checks=checks(),
                    headers=kwargs.get("headers"),
                    transport_kwargs=kwargs,
                    recorder=self.recorder,
                )
            except FailureGroup as group:
                for failure in group.exceptions:
                    if not excused(failure, case):
                        fuzz.keep(operation, role, case, response, failure)

    machine = seed(zlib.crc32(f"{fuzz.seed} chains {role} {turn}".encode()))(Chain)
    machine.run(
        settings=settings(
            max_examples=chains,
            stateful_step_count=steps,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            verbosity=Verbosity.quiet,
        )
    )


def _operation(by_place: dict[tuple[str, str], Operation], case: Any) -> Operation:
    return by_place[case.operation.path, case.operation.method.upper()]
