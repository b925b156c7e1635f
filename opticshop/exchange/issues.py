"""Issues: what there is to say about a request, and the OperationOutcome that says it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from opticshop.core.errors import Invalid

from .vocabulary import System


@dataclass(frozen=True, slots=True)
class Issue:
    """One thing to say about a request; ``expression`` is the FHIRPath of the element it is about."""

    code: str
    text: str
    expression: str = ""
    problem: str = ""
    severity: str = "error"

    def as_json(self) -> dict[str, Any]:
        found: dict[str, Any] = {"severity": self.severity, "code": self.code}
        if self.problem:
            found["details"] = {"coding": [{"system": System.PROBLEM.value, "code": self.problem}]}
        found["diagnostics"] = self.text
        if self.expression:
            found["expression"] = [self.expression]
        return found


class ResourceRefused(Invalid):
    """A FHIR resource that cannot be taken in: every reason is an issue with the path of its element."""

    code = "exchange.resource_refused"
    title = "The resource cannot be taken in"

    def __init__(self, issues: Sequence[Issue]) -> None:
        super().__init__("; ".join(issue.text for issue in issues)[:1000])
        self.issues = list(issues)


def operation_outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    return {"resourceType": "OperationOutcome", "issue": [issue.as_json() for issue in issues]}
