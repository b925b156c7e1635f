"""Requests made by chance from the OpenAPI document, well-formed or malformed, to every operation.

Each answer is judged by the checks of schemathesis that ``checking`` names: no failure of ours, no status, type, header
or body that the document does not state, nothing malformed accepted. ``python -m tests.fuzz.run`` does more of it.
"""

from __future__ import annotations

import pytest
from schemathesis import GenerationMode

from tests.access.operations import operations

from .driving import Fuzz, roles_of

pytestmark = pytest.mark.django_db
MODES = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)


@pytest.mark.parametrize("half", [0, 1])
def test_whatever_is_sent_is_answered_as_the_document_says(fuzz: Fuzz, half: int):
    """One request to each operation, the roles and the two kinds in turn: the same ones each time."""
    for turn, operation in enumerate(operations()[half::2]):
        roles = roles_of(operation)
        fuzz.generated(operation, roles[turn % len(roles)], MODES[turn % 2], 1)
    assert not fuzz.findings, fuzz.whole_story()
    assert fuzz.calls + len(fuzz.not_made) >= len(operations()[half::2])
