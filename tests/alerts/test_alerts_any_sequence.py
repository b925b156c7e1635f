"""Whatever appears, grows and goes, whoever does what, however often the watch runs: alerts are what the causes are.

The cause is one of the test's own, so that any story can be told in a few rows; real rows are in the other tests.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.alerts import services
from opticshop.alerts.causes import CAUSES, Cause, Found
from opticshop.alerts.kinds import ALERT_MOVES, RANK
from opticshop.alerts.models import Alert, AlertStep
from opticshop.core import clock
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON
from tests.factories import BranchFactory

from .conftest import WATCH

KEYS = ("a", "b", "c")
keys, severities = st.sampled_from(KEYS), st.sampled_from(["notice", "warning", "urgent"])
happenings = st.one_of(
    st.tuples(st.just("appear"), keys, severities),
    st.tuples(st.just("appear"), keys, severities),
    st.tuples(st.just("vanish"), keys),
    st.tuples(st.just("evaluate")),
    st.tuples(st.just("evaluate")),
    st.tuples(st.just("acknowledge"), keys),
    st.tuples(st.just("snooze"), keys, st.integers(1, 40)),
    st.tuples(st.just("close"), keys),
    st.tuples(st.just("wait"), st.integers(1, 30)),
)


@dataclass
class Shop:
    """A branch with one cause, whose truth is kept on paper."""

    now: dt.datetime = NOON
    truth: dict[str, str] = field(default_factory=dict)
    #: What a person closed while it lasted, with the severity it had then.
    dealt_with: dict[str, str] = field(default_factory=dict)

    def __post_init__(self):
        self.branch = BranchFactory()
        self.cause = Cause(
            name="test_cause",
            title="Test",
            action="Test",
            owner_role="counter",
            needs="orders.view",
            thresholds=(),
            find=self.find,
            words=lambda number, facts: "",
            by_hand=True,
        )

    def find(self, place, given):
        return [
            Found(key=key, about=f"things/{key}", link="/", number=key, severity=severity, since=place.now)
            for key, severity in self.truth.items()
            if place.branch == self.branch
        ]

    def rows(self):
        return Alert.objects.everywhere("test").filter(branch=self.branch)

    def live(self):
        return {row.key: row for row in self.rows().exclude(state="closed")}

    def play(self, name, *given):
        with clock.at(self.now):
            getattr(self, name)(*given)

    def appear(self, key, severity):
        self.truth[key] = severity

    def vanish(self, key):
        self.truth.pop(key, None)

    def wait(self, hours):
        self.now += dt.timedelta(hours=hours)

    def evaluate(self):
        before = self.live()
        services.alerts_evaluate(actor=WATCH, branch=self.branch)
        self.dealt_with = {
            key: severity
            for key, severity in self.dealt_with.items()
            if key in self.truth and RANK[self.truth[key]] <= RANK[severity]
        }
        live = self.live()
        assert set(live) == set(self.truth) - set(self.dealt_with)
        assert {key: row.severity for key, row in live.items()} == {key: self.truth[key] for key in live}
        for key, row in live.items():
            if key in before:
                assert row.id == before[key].id, "what lasts is not raised again"
        assert not [row for row in live.values() if row.snoozed_until is not None and row.snoozed_until <= self.now]
        before_again = list(self.rows().order_by("id").values())
        assert services.alerts_evaluate(actor=WATCH, branch=self.branch) == 0
        assert list(self.rows().order_by("id").values()) == before_again, "the second run finds nothing to do"

    def acknowledge(self, key):
        self.handle(key, services.alert_acknowledge)

    def snooze(self, key, hours):
        self.handle(key, services.alert_snooze, until=self.now + dt.timedelta(hours=hours))

    def close(self, key):
        row = self.live().get(key)
        if self.handle(key, services.alert_close, reason="Dealt with"):
            self.dealt_with[key] = row.severity

    def handle(self, key, service, **more):
        row = self.live().get(key)
        if row is None:
            return False
        try:
            service(actor=WATCH, alert=row, **more)
        except DomainError:
            assert row.state == "acknowledged"
            return False
        return True

    def check(self):
        found = Counter(self.rows().exclude(state="closed").values_list("key", flat=True))
        assert not [key for key, count in found.items() if count > 1]


STEPS = {
    "raised": "open",
    "acknowledged": "acknowledged",
    "snoozed": "acknowledged",
    "woken": "open",
    "closed": "closed",
}


def check_the_history(shop):
    """The steps of each alert are a walk through the table of moves, and each was told once."""
    told = Counter(OutboxEvent.objects.filter(branch_id=shop.branch.id).values_list("subject", "type"))
    for row in shop.rows():
        steps = list(AlertStep.objects.filter(alert=row).order_by("id").values_list("kind", flat=True))
        assert steps[0] == "raised"
        assert steps.count("raised") == told[f"alerts/{row.id}", "alerts.raised"] == 1
        assert steps.count("closed") == told[f"alerts/{row.id}", "alerts.closed"] == (row.state == "closed")
        assert steps.count("escalated") == told[f"alerts/{row.id}", "alerts.escalated"] == row.level <= 2
        states = [STEPS[kind] for kind in steps if kind in STEPS]
        assert states[-1] == row.state
        for now, then in pairwise(states):
            assert then in ALERT_MOVES[now] or (now, then) == ("acknowledged", "acknowledged")


@pytest.mark.django_db
@settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(story=st.lists(happenings, min_size=10, max_size=30))
def test_any_sequence_keeps_alerts_and_causes_in_step(story):
    with transaction.atomic():
        kept = dict(CAUSES)
        shop = Shop()
        CAUSES.clear()
        CAUSES["test_cause"] = shop.cause
        try:
            for happening in [*story, ("evaluate",)]:
                shop.play(*happening)
                shop.check()
            check_the_history(shop)
        finally:
            CAUSES.clear()
            CAUSES.update(kept)
        transaction.set_rollback(True)
