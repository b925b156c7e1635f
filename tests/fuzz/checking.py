"""Which checks of schemathesis judge each answer, and why the others do not."""

from __future__ import annotations

from typing import Any

from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.core.failures import AcceptedNegativeData

load_all_checks()

#: Left out, with the reason.
OFF: dict[str, str] = {
    "positive_data_acceptance": "rules across fields (a cylinder has an axis, a day lies in the year asked for) are no "
    "part of a schema; whoever breaks them is told 400 or 422 with the field",
    "object_level_authorization": "tests/access asks for every row of the other branch by every way that leads to one",
    "max_response_time": "the machine that runs the tests does other work besides",
}
#: What besides the defaults of schemathesis says that a malformed request was refused: RFC 9110, 15.5.13 (412).
REFUSED = ["400", "401", "403", "404", "405", "406", "409", "412", "415", "422", "428"]
#: RFC 6585, 3: 428 answers a request whose If-Match is missing.
HEADER_MISSING = ["400", "401", "403", "404", "415", "422", "428"]


def checks() -> list[Any]:
    known = dict(zip(CHECKS.get_all_names(), CHECKS.get_all(), strict=True))
    return [known[name] for name in sorted(known) if name not in OFF]


def configured(schema: Any) -> Any:
    """The schema with what our service counts as a refusal."""
    schema.config.checks.negative_data_rejection.expected_statuses = REFUSED
    schema.config.checks.missing_required_header.expected_statuses = HEADER_MISSING
    return schema


def excused(failure: Any, case: Any) -> bool:
    """What is accepted though it is malformed, by design: a filter that is sent empty is not asked for (forms of HTML
    send every field they have), and a batch of a calculator tells of each row in that row's place."""
    is_empty = "" in (case.query or {}).values()
    return isinstance(failure, AcceptedNegativeData) and (is_empty or case.path.endswith("/batch/"))
