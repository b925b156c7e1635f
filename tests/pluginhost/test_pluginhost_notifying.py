"""on_event: one delivery per plugin from the outbox, so that one that fails is retried by itself."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.core.models import EventDelivery
from opticshop.plugin_api import Event
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import Gate, Listener

pytestmark = pytest.mark.django_db


def happen(branch, **data):
    with transaction.atomic():
        return outbox.record(
            event_type="tests.happened",
            subject="tests/1",
            actor=system("test"),
            branch_id=branch.id if branch else None,
            data=data or {"thing": "1"},
        )


def states() -> dict[str, str]:
    """Of the deliveries to plugins; the feed of integrations hears of everything, too."""
    rows = EventDelivery.objects.filter(handler__startswith="plugin:")
    return dict(rows.values_list("handler", "state"))


def test_each_listening_plugin_hears_the_event_once(mill):
    first, second = Listener("first"), Listener("second")
    with using_plugins([first, second, Gate("gate", lambda order: None)]):
        row = happen(mill)
        assert set(states()) == {"plugin:first", "plugin:second"}
        outbox.deliver_all()
        outbox.deliver_all()
    ((event, settings),) = first.heard
    assert event == Event(
        id=str(row.id),
        type="tests.happened",
        source="/branches/MILL",
        subject="tests/1",
        occurred_at=row.created_at,
        branch_code="MILL",
        data={"thing": "1"},
    )
    assert settings == {"volume": 1}
    assert len(second.heard) == 1


def test_an_event_of_no_branch_is_told_under_the_groups_settings(mill):
    listener = Listener()
    PluginActivation.objects.create(plugin="listener", branch=None, settings={"volume": 3})
    PluginActivation.objects.create(plugin="listener", branch=mill, settings={"volume": 9})
    with using_plugins([listener]):
        happen(None)
        happen(mill)
        outbox.deliver_all()
    heard = {event.branch_code: (event.source, settings["volume"]) for event, settings in listener.heard}
    assert heard == {None: ("/", 3), "MILL": ("/branches/MILL", 9)}


def test_a_plugin_that_fails_is_retried_later_by_itself(mill, steady_clock):
    def down(event):
        raise ConnectionError("the other side is down")

    good, bad = Listener("good"), Listener("bad", down)
    with using_plugins([good, bad]):
        happen(mill)
        outbox.deliver_all()
        assert states() == {"plugin:good": "done", "plugin:bad": "pending"}
        waiting = EventDelivery.objects.get(handler="plugin:bad")
        assert "the other side is down" in waiting.last_error
        assert waiting.due_at > steady_clock
        bad.answer = lambda event: None
        with clock.at(steady_clock + dt.timedelta(minutes=1)):
            outbox.deliver_all()
        assert states()["plugin:bad"] == "done"
    assert (len(good.heard), len(bad.heard)) == (1, 1)


def test_a_plugin_that_is_off_at_the_branch_of_the_event_hears_nothing(mill, quay):
    listener = Listener()
    PluginActivation.objects.create(plugin="listener", branch=mill, is_active=False)
    with using_plugins([listener]):
        happen(mill)
        happen(quay)
        outbox.deliver_all()
        assert set(states().values()) == {"done"}
    assert [event.branch_code for event, _ in listener.heard] == ["QUAY"]


def test_a_plugin_cannot_change_the_event_for_others(mill):
    def scribble(event):
        event.data["thing"] = "changed"

    first, second = Listener("first", scribble), Listener("second")
    with using_plugins([first, second]):
        row = happen(mill)
        outbox.deliver_all()
    row.refresh_from_db()
    assert row.data == {"thing": "1"}
    assert second.heard[0][0].data == {"thing": "1"}


def test_subscriptions_last_as_long_as_the_host(mill):
    with using_plugins([Listener("outer")]):
        with using_plugins([Listener("inner")]):
            assert "plugin:inner" in outbox.handlers_for("x.y")
            assert "plugin:outer" not in outbox.handlers_for("x.y")
        assert "plugin:inner" not in outbox.handlers_for("x.y")
        assert "plugin:outer" in outbox.handlers_for("x.y")
    assert "plugin:outer" not in outbox.handlers_for("x.y")
