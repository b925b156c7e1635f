"""Requests made by chance from the OpenAPI document, well-formed and malformed, to every operation.

Each answer is judged by the checks of schemathesis that ``checking`` names: no failure of ours, no status, type, header
or body that the document does not state, nothing malformed accepted. ``python -m tests.fuzz.run`` does more of it.
"""

from __future__ import annotations

import pytest
from schemathesis import GenerationMode

from tests.access.operations import operations

from .driving import Fuzz, roles_of

pytestmark = pytest.mark.django_db


def test_whatever_is_sent_is_answered_as_the_document_says(fuzz: Fuzz):
    for turn, operation in enumerate(operations()):
        roles = roles_of(operation)
        fuzz.generated(operation, roles[turn % len(roles)], GenerationMode.POSITIVE, 1)
        fuzz.generated(operation, roles[-turn % len(roles)], GenerationMode.NEGATIVE, 1)
    assert not fuzz.findings, fuzz.whole_story()
    assert fuzz.calls > len(operations())
