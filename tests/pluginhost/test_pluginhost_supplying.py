"""What plugins registered, bound to a branch and guarded against the plugin."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from django.test import override_settings

from opticshop.plugin_api import LensValues, RecallSubject, SendOutcome
from opticshop.plugin_api.testing import samples as api_samples
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.errors import DecideTooSlow, PluginDefect, PluginNotAvailable
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import (
    ChannelPlugin,
    LedgerPlugin,
    RecallPlugin,
    SphereOnly,
    StandardPlugin,
    StricterPlugin,
    asleep,
    inspection,
)

pytestmark = pytest.mark.django_db


def test_a_standard_judges_and_says_the_version_of_its_plugin(mill, queries):
    with using_plugins([StandardPlugin()]):
        verdict, version = plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=inspection())
        assert (verdict.outcome, verdict.standard_key, version) == ("pass", "house-1", "1.2.3")
        wrong = inspection()
        measured = replace(wrong.right.measured, sphere_dpt=wrong.right.ordered.sphere_dpt + Decimal("0.26"))
        wrong = replace(wrong, right=replace(wrong.right, measured=measured))
        judged = plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=wrong)
        assert judged.verdict.outcome == "fail"
        run = lambda: plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=wrong)  # noqa: E731
        assert queries(run) == 1


def test_a_standard_may_build_on_another_under_the_settings_of_the_branch(mill):
    PluginActivation.objects.create(plugin="std-stricter", branch=mill, settings={"strictness": 4})
    with using_plugins([StandardPlugin(), StricterPlugin()]):
        verdict, _ = plugins.tolerance_evaluate(branch=mill, standard_key="stricter-1", request=inspection())
    assert (verdict.standard_key, verdict.notes) == ("stricter-1", ("strictness 4",))


def test_a_standard_that_builds_on_one_that_is_off_is_not_available(mill):
    PluginActivation.objects.create(plugin="std", branch=mill, is_active=False)
    with using_plugins([StandardPlugin(), StricterPlugin()]), pytest.raises(PluginNotAvailable, match="house-1"):
        plugins.tolerance_evaluate(branch=mill, standard_key="stricter-1", request=inspection())


def test_what_nobody_brings_or_what_is_off_is_named(mill):
    with using_plugins([StandardPlugin(), ChannelPlugin()]):
        with pytest.raises(PluginNotAvailable, match="no-such-standard") as caught:
            plugins.tolerance_evaluate(branch=mill, standard_key="no-such-standard", request=inspection())
        assert (caught.value.code, caught.value.status) == ("pluginhost.not_available", 409)
        assert caught.value.extra["available"] == ["house-1"]
        for call in (plugins.channel, plugins.recall_policy, plugins.ledger_exporter):
            with pytest.raises(PluginNotAvailable, match="nothing"):
                call(branch=mill, name="nothing")
        PluginActivation.objects.create(plugin="pigeons", branch=mill, is_active=False)
        with pytest.raises(PluginNotAvailable, match="pigeons, which is switched off at branch MILL"):
            plugins.channel(branch=mill, name="pigeon")


@pytest.mark.parametrize(
    "answer",
    [
        lambda request, context: None,
        lambda request, context: 1 / 0,
        lambda request, context: replace(SphereOnly().evaluate(request), standard_key="other-1"),
    ],
)
def test_a_standard_that_breaks_gives_no_verdict(mill, monkeypatch, answer):
    with using_plugins([StandardPlugin()]) as host:
        standard = host.shelves.tolerance_standards["house-1"].thing
        monkeypatch.setattr(standard, "evaluate", answer)
        with pytest.raises(PluginDefect) as caught:
            plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=inspection())
    assert caught.value.plugin == "std"


@override_settings(OPTICSHOP_PLUGIN_DECIDE_SECONDS=0.05)
def test_a_standard_that_never_ends_is_given_up(mill, monkeypatch):
    with using_plugins([StandardPlugin()]) as host:
        standard = host.shelves.tolerance_standards["house-1"].thing
        monkeypatch.setattr(standard, "evaluate", lambda request, context: asleep(0.4)(None))
        with pytest.raises(DecideTooSlow):
            plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=inspection())


def test_limits_are_listed_with_clause_confidence_and_source(mill):
    with using_plugins([StandardPlugin()]):
        (limit,) = plugins.tolerance_limits(branch=mill, standard_key="house-1")
    assert (limit.parameter, limit.limit, limit.confidence) == ("sphere", "0.25", "convention")


def boom():
    raise TimeoutError("the line is dead")


@pytest.mark.parametrize(
    ("answer", "state", "detail"),
    [
        (lambda: SendOutcome(state="sent", provider_reference="p-1"), "sent", ""),
        (boom, "unknown", "TimeoutError: the line is dead"),
        (lambda: "sent", "unknown", "the channel answered with str"),
    ],
)
def test_a_channel_never_raises(mill, answer, state, detail):
    with using_plugins([ChannelPlugin(answer)]):
        bound = plugins.channel(branch=mill, name="pigeon")
        assert (bound.name, bound.kind, bound.needs) == ("pigeon", "console", None)
        outcome = bound.send(api_samples.message())
    assert (outcome.state, outcome.detail) == (state, detail)


def test_a_recall_policy_gives_a_later_day_or_is_at_fault(mill):
    with using_plugins([RecallPlugin()]):
        policy = plugins.recall_policy(branch=mill, name="year")
        assert policy.name == "year"
        due = policy.due_on(RecallSubject(date_of_birth=None, issued_on=date(2026, 3, 2)))
        assert due.due_on == date(2030, 3, 2)
        for day in (date(2020, 1, 1), date(2020, 1, 2)):
            with pytest.raises(PluginDefect, match="recalls"):
                policy.due_on(RecallSubject(date_of_birth=None, issued_on=day))


def test_a_ledger_is_exported_in_pieces_and_its_failure_named():
    entries = api_samples.journal_entries()
    with using_plugins([LedgerPlugin()]):
        exporter = plugins.ledger_exporter(branch=None, name="lines")
        assert (exporter.media_type, exporter.file_extension) == ("text/plain", "txt")
        assert b"".join(exporter.export(entries[:1])) == b"N-0001"
        pieces = exporter.export(entries)
        assert next(pieces) == b"N-0001"
        with pytest.raises(PluginDefect, match="ledgers"):
            next(pieces)


def test_lens_values_of_the_request_reach_the_standard_as_they_are(mill):
    request = inspection()
    assert isinstance(request.right.ordered, LensValues)
    with using_plugins([StandardPlugin()]):
        verdict, _ = plugins.tolerance_evaluate(branch=mill, standard_key="house-1", request=request)
    assert verdict.line("sphere", "right").ordered == request.right.ordered.sphere_dpt
