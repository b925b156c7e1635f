"""Whatever happens to people in whatever order: nobody gets a notice twice or after its reason has gone, and everybody
who is due with nothing in the way gets it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Message
from opticshop.customers.models import Customer
from opticshop.reminders.models import Campaign, CampaignNotice, Recall
from opticshop.reminders.scheduling import next_notice_on
from opticshop.reminders.selectors import notices_made_on, open_campaign_of
from opticshop.reminders.services import campaign_pause, campaign_resume, campaign_start, recall_review, reply_heed
from opticshop.reminders.services.campaigns import schedule
from tests.conftest import NOON
from tests.factories import CustomerFactory, PrescriptionFactory
from tests.reminders.conftest import SYSTEM

pytestmark = pytest.mark.django_db
PEOPLE = 3
#: (what happens, to whom)
WHAT = (
    ("days",) * 3
    + ("opt_out", "opt_in", "die", "move", "come", "merge", "mute", "speak", "hold", "answer")
    + ("pause", "resume", "night")
)
events = st.lists(
    st.tuples(st.sampled_from(WHAT), st.integers(0, PEOPLE - 1), st.integers(1, 30)), min_size=3, max_size=14
)


@contextmanager
def rolled_back() -> Iterator[None]:
    """Each example begins with empty tables."""
    point = transaction.savepoint()
    try:
        yield
    finally:
        transaction.savepoint_rollback(point)


class World:
    def __init__(self, branch) -> None:
        self.branch, self.now = branch, NOON
        self.people = [CustomerFactory(branch=branch) for _ in range(PEOPLE)]
        for place, each in enumerate(self.people):
            PrescriptionFactory(customer=each, issued_on=dt.date(2025, 2, 20) + dt.timedelta(days=7 * place))
        self.campaign = Campaign.objects.create(
            branch=branch,
            name="Invented",
            ways=["email", "text", "letter"],
            open_days_only=False,
            daily_cap=2,
            not_due_before=dt.date(2026, 1, 1),
        )
        for ordinal, (days, gap) in enumerate(((-7, 1), (14, 7), (28, 14)), start=1):
            CampaignNotice.objects.create(campaign=self.campaign, ordinal=ordinal, days_from_due=days, min_gap_days=gap)
        campaign_start(actor=SYSTEM, campaign=self.campaign)
        for each in self.people:
            recall_review(actor=SYSTEM, customer=each)

    def fresh(self, place: int) -> Customer:
        return Customer.objects.everywhere("test").select_related("branch").get(id=self.people[place].id)

    def change(self, place: int, heard: dict | None = None, **columns) -> None:
        Customer.objects.everywhere("test").filter(id=self.people[place].id).update(**columns)
        recall_review(actor=SYSTEM, customer=self.fresh(place), **(heard or {}))

    def planned(self, place: int) -> Recall | None:
        person = self.fresh(place)
        return (
            Recall.objects.everywhere("test")
            .filter(customer_id=person.merged_into_id or person.id, state="planned")
            .first()
        )

    def happen(self, what: str, place: int, days: int) -> None:
        match what:
            case "days":
                self.now += dt.timedelta(days=days)
            case "opt_out":
                self.change(place, wants_recalls=False)
            case "opt_in":
                self.change(place, wants_recalls=True)
            case "die":
                self.change(place, deceased_on=dt.date(2026, 1, 1))
            case "move":
                self.change(place, moved_away_on=dt.date(2026, 1, 1))
            case "come":
                PrescriptionFactory(customer=self.people[place], issued_on=self.now.date())
                recall_review(actor=SYSTEM, customer=self.fresh(place))
            case "merge" if place > 0 and not self.fresh(0).merged_into_id:
                self.change(place, merged_into=self.people[0])
                recall_review(actor=SYSTEM, customer=self.fresh(0))
            case "mute":
                self.change(place, heard={"address_changed": True}, email="")
            case "speak":
                self.change(place, heard={"address_changed": True}, email=f"p{place}@example.org")
            case "hold" | "answer":
                recall = self.planned(place)
                if recall is not None:
                    meaning = "unclear" if what == "hold" else "came_back"
                    reply_heed(actor=SYSTEM, recall=recall, meaning=meaning, message="m")
            case "pause" | "resume":
                self.campaign.refresh_from_db()
                running = self.campaign.state == "running"
                if running == (what == "pause"):
                    (campaign_pause if running else campaign_resume)(actor=SYSTEM, campaign=self.campaign)
            case "night":
                self.night()

    def night(self) -> None:
        """The duty, twice; every notice of the night is checked against what was known before it."""
        before = {
            recall.id: recall for recall in Recall.objects.everywhere("test").select_related("customer", "prescription")
        }
        known = set(Message.objects.everywhere("test").values_list("id", flat=True))
        run_duty("reminders.notices_due")
        run_duty("reminders.notices_due")
        today = self.now.date()
        fresh = Message.objects.everywhere("test").exclude(id__in=known)
        for message in fresh:
            recall = before[Recall.objects.everywhere("test").get(id=message.subject_ref.split("/")[1]).id]
            person = recall.customer
            assert recall.state == "planned"
            assert (person.wants_recalls, person.deceased_on, person.moved_away_on) == (True, None, None)
            assert (bool(person.email), person.merged_into_id) == (True, None)
            assert recall.held_until is None or recall.held_until <= today
            assert recall.next_notice_on is not None
            assert recall.next_notice_on <= today
            assert message.state == "queued"
        assert len(fresh) <= 2
        self.campaign.refresh_from_db()
        if self.campaign.state == "running" and notices_made_on(self.branch.id, today) < 2:  # also earlier that day
            left = Recall.objects.everywhere("test").filter(state="planned", next_notice_on__lte=today)
            assert not left.exists(), "somebody due with nothing in the way was left out"

    def check(self) -> None:
        """The columns agree with the rule, and no notice was made twice."""
        campaign = open_campaign_of(self.branch.id)
        assert campaign is not None
        rows = list(Recall.objects.everywhere("test").select_related("customer"))
        for recall in rows:
            assert recall.next_notice_on == next_notice_on(recall, campaign), recall
        planned = [recall.customer_id for recall in rows if recall.state == "planned"]
        assert len(set(planned)) == len(planned)
        told = list(Message.objects.everywhere("test").values_list("subject_ref", "kind"))
        assert len(set(told)) == len(told)
        by_hand = {recall.id: recall.notices_made - recall.notices_carried for recall in rows}
        for recall_id, made in by_hand.items():
            assert sum(ref == f"recalls/{recall_id}" for ref, _ in told) == made


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(happenings=events)
def test_any_sequence_of_what_happens_to_people(plugin, mill, happenings):
    with rolled_back():
        world = World(mill)
        for what, place, days in [*happenings, ("days", 0, 1), ("night", 0, 1), ("days", 0, 1), ("night", 0, 1)]:
            with clock.at(world.now):
                world.happen(what, place, days)
                world.check()


@given(
    due=st.integers(-40, 40),
    last=st.none() | st.integers(-60, 0),
    held=st.none() | st.integers(-20, 40),
    made=st.integers(0, 3),
)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_rule_in_sql_is_the_rule_in_python(plugin, mill, due, last, held, made):
    today = NOON.date()

    def day(offset):
        return None if offset is None else today + dt.timedelta(days=offset)

    with rolled_back():
        world = World(mill)
        rows = Recall.objects.everywhere("test")
        rows.update(notices_made=made, last_notice_on=day(last), held_until=day(held), due_on=day(due))
        schedule(world.campaign)
        for recall in rows.select_related("customer"):
            assert recall.next_notice_on == next_notice_on(recall, open_campaign_of(mill.id))
