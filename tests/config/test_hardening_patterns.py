"""No regular expression of ours takes more than linear time (CWE-1333), whatever text it meets."""

from __future__ import annotations

import re
import signal

import pytest

from opticshop.config import scrubbing

from .patterns import patterns, slowest

#: A linear pattern needs less than a millisecond for a text of this length, one of quadratic time seconds.
LENGTH, SECONDS = 20_000, 0.25


@pytest.fixture
def patience():
    """Ends a match that goes on and on; ``re`` looks for signals while it works."""

    def over(*args):
        raise TimeoutError

    before = signal.signal(signal.SIGPROF, over)
    yield lambda: signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_PROF, 0)
    signal.signal(signal.SIGPROF, before)


def is_slow(pattern, patience, anywhere=True):
    try:
        patience()
        slowest(pattern, LENGTH, anywhere=anywhere)
    except TimeoutError:
        return True
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    return False


def test_no_pattern_of_ours_is_slow(patience):
    found = patterns()
    assert len(found) > 80
    assert scrubbing._LOOKED_FOR.pattern in found
    for pattern in found:
        re.compile(pattern)
    slow = {
        place.where: pattern
        for pattern, place in found.items()
        if is_slow(pattern, patience, place.is_looked_for_anywhere)
    }
    assert not slow


@pytest.mark.parametrize("pattern", [r"^(a+)+$", r"^.*,.*,.*x$"])
def test_a_slow_pattern_is_found(pattern, patience):
    """The first is the example of OWASP (Regular expression Denial of Service), from memory."""
    assert is_slow(pattern, patience)
