"""Decide hooks in the caller's transaction: a refusal or a defect names the plugin and leaves nothing written."""

from __future__ import annotations

import threading
import time
from decimal import Decimal

import pytest
from django.db import connection, transaction
from django.test import override_settings

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.plugin_api import OrderDraft, Refusal
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.errors import DecideFailed, DecideTooSlow, PluginRefused, StoredSettingsInvalid
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import Gate, Pricer, asleep, context, handover_draft, off, order_draft

pytestmark = pytest.mark.django_db


def refuse(order):
    raise Refusal("gate.closed", "Come back tomorrow.", field="promised_on")


def boom(order):
    raise KeyError("Ada Example, born 1980")


def switch(plugin: str, branch: Branch | None, is_active: bool | None, **settings) -> None:
    row = PluginActivation.objects.filter(plugin=plugin, branch=branch).first()
    host_plugin = next(p for name, p in _host().plugins.items() if name == plugin)
    plugins.plugin_activation_set(
        actor=system("test"),
        plugin=host_plugin,
        branch=branch,
        version=row.version if row else 0,
        is_active=is_active,
        settings=settings,
    )


def _host():
    from opticshop.pluginhost.manager import host

    return host()


def place(branch: Branch) -> None:
    """A use case that writes before and after it asks the plugins."""
    with transaction.atomic():
        Branch.objects.filter(id=branch.id).update(name="written before")
        plugins.decide_order_placement(branch=branch, draft=order_draft())
        Branch.objects.filter(id=branch.id).update(name="written after")


def test_nobody_objects(mill, queries):
    with using_plugins([Gate("gate", lambda order: None)]):
        place(mill)
        plugins.decide_handover(branch=mill, draft=handover_draft())
        assert queries(lambda: plugins.decide_handover(branch=mill, draft=handover_draft())) == 1
    mill.refresh_from_db()
    assert mill.name == "written after"
    with using_plugins([]):
        assert queries(lambda: plugins.decide_handover(branch=mill, draft=handover_draft())) == 0


def test_a_refusal_carries_plugin_code_and_field_and_rolls_back(mill):
    before = mill.name
    with using_plugins([Gate("gate", refuse)]), pytest.raises(PluginRefused) as caught:
        place(mill)
    error = caught.value
    assert (error.status, error.code, error.detail) == (409, "pluginhost.refused", "Come back tomorrow.")
    assert (error.plugin, error.plugin_code, error.field) == ("gate", "gate.closed", "promised_on")
    mill.refresh_from_db()
    assert mill.name == before


@pytest.mark.parametrize("answer", [boom, lambda order: False, lambda order: exit(2), lambda order: order.nothing])
def test_a_defect_aborts_cleanly_and_names_the_plugin(mill, answer, caplog):
    before = mill.name
    with using_plugins([Gate("gate", answer)]), pytest.raises(DecideFailed) as caught:
        place(mill)
    assert (caught.value.status, caught.value.extra["plugin"]) == (503, "gate")
    assert "Ada" not in caught.value.detail
    assert "plugin gate failed in decide_order_placement" in caplog.text
    mill.refresh_from_db()
    assert mill.name == before


def test_the_facts_cannot_be_changed(mill):
    def tamper(order):
        order.total = Decimal(0)

    with using_plugins([Gate("gate", tamper)]), pytest.raises(DecideFailed):
        place(mill)


def test_the_first_refusal_in_the_order_of_names_ends_it(mill):
    asked: list[str] = []

    def gate(name, answer):
        return Gate(name, lambda order: (asked.append(name), answer(order))[1])

    gates = [gate("c", boom), gate("b", refuse), gate("a", lambda order: None)]
    with using_plugins(gates), pytest.raises(PluginRefused):
        place(mill)
    assert asked == ["a", "b"]


@override_settings(OPTICSHOP_PLUGIN_DECIDE_SECONDS=0.05)
def test_a_plugin_that_is_too_slow_aborts(mill):
    before = mill.name
    with using_plugins([Gate("gate", asleep(0.4))]), pytest.raises(DecideTooSlow) as caught:
        place(mill)
    assert (caught.value.code, caught.value.status, caught.value.plugin) == ("pluginhost.too_slow", 503, "gate")
    mill.refresh_from_db()
    assert mill.name == before


@override_settings(OPTICSHOP_PLUGIN_DECIDE_SECONDS=0.02)
def test_a_plugin_that_never_returns_is_not_given_thread_after_thread(mill):
    release = threading.Event()
    asked: list[int] = []

    def hang(order):
        asked.append(1)
        release.wait(10)

    with using_plugins([Gate("gate", hang)]):
        for _ in range(8):
            with pytest.raises(DecideTooSlow):
                plugins.decide_handover(branch=mill, draft=handover_draft())
        assert len(asked) == 4
        release.set()
        for _ in range(100):
            if not any(thread.is_alive() for thread in _host().plugins["gate"].stuck):
                break
            time.sleep(0.01)
        plugins.decide_handover(branch=mill, draft=handover_draft())
        assert len(asked) == 5


@pytest.mark.parametrize(
    "reach",
    [
        lambda order: Branch.objects.count(),
        lambda order: connection.cursor(),
        lambda order: transaction.atomic().__enter__(),
    ],
)
def test_a_plugin_cannot_use_the_database_while_it_decides(mill, reach, caplog):
    with using_plugins([Gate("gate", reach)]), pytest.raises(DecideFailed, match="DatabaseTouched"):
        place(mill)
    assert Branch.objects.filter(id=mill.id).exists()


def test_a_plugin_sees_the_clock_of_the_caller(mill, steady_clock):
    seen = []
    with using_plugins([Gate("gate", lambda order: seen.append(clock.now()))]):
        place(mill)
    assert seen == [steady_clock]


def test_a_plugin_switched_off_at_a_branch_is_not_asked_there(mill, quay):
    with using_plugins([Gate("gate", refuse)]):
        switch("gate", mill, False)
        place(mill)
        with pytest.raises(PluginRefused):
            place(quay)
        switch("gate", None, False)
        place(quay)
        switch("gate", mill, True)
        with pytest.raises(PluginRefused):
            place(mill)
        switch("gate", mill, None)
        place(mill)


def test_price_adjustments_are_collected_in_the_order_of_names_and_none_sees_another(mill):
    seen = []

    def take(amount):
        def answer(context, settings):
            seen.append(context)
            return [off(amount, 0)]

        return answer

    facts = context("100.00", "20.00")
    with using_plugins([Pricer("b", take("-2.00")), Pricer("a", take("-1.00")), Pricer("c", lambda c, s: None)]):
        found = plugins.decide_order_price(branch=mill, context=facts)
    assert [one.amount for one in found] == [Decimal("-1.00"), Decimal("-2.00")]
    assert seen == [facts, facts]


def test_each_plugin_gets_its_own_settings_for_the_branch(mill, quay):
    schema = {"type": "object", "properties": {"rebate": {"type": "integer", "minimum": 0}}}
    more = {"settings_schema": schema, "default_settings": {"rebate": 1}}
    pricer = Pricer("rebates", lambda c, settings: [off(f"-{settings['rebate']}.00")], **more)
    with using_plugins([pricer]):
        switch("rebates", None, None, rebate=5)
        switch("rebates", mill, None, rebate=7)
        (at_mill,) = plugins.decide_order_price(branch=mill, context=context("50.00"))
        (at_quay,) = plugins.decide_order_price(branch=quay, context=context("50.00"))
    assert (at_mill.amount, at_quay.amount) == (Decimal("-7.00"), Decimal("-5.00"))


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ([off("-1.005")], "smallest unit"),
        ([off("-1.00", 2)], "line 2"),
        ([off("-10.01", 0)], "line 0 below zero"),
        ([off("-30.01")], "order below zero"),
        ([Decimal(1)], "price adjustments"),
        (off("-1.00"), "price adjustments"),
        (Decimal(-1), "price adjustments"),
    ],
)
def test_adjustments_that_cannot_be_are_the_defect_of_their_plugin(mill, answer, words):
    with using_plugins([Pricer("pricer", lambda c, s: answer)]), pytest.raises(DecideFailed, match=words):
        plugins.decide_order_price(branch=mill, context=context("10.00", "20.00"))


def test_the_plugin_that_crosses_zero_is_named_not_the_one_before_it(mill):
    def take(context, settings):
        return [off("-6.00")]

    with using_plugins([Pricer("a", take), Pricer("b", take)]), pytest.raises(DecideFailed) as caught:
        plugins.decide_order_price(branch=mill, context=context("10.00"))
    assert caught.value.plugin == "b"


def test_settings_that_the_present_version_no_longer_admits_stop_the_step(mill):
    PluginActivation.objects.create(plugin="gate", branch=mill, settings={"gone": 1})
    with using_plugins([Gate("gate", lambda order: None)]), pytest.raises(StoredSettingsInvalid, match="gone"):
        place(mill)


def test_drafts_are_frozen_dataclasses():
    assert OrderDraft.__dataclass_params__.frozen  # type: ignore[attr-defined]
