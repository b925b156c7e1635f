"""Tax rules and invoice exporters: asked for a branch, and guarded against their defects."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest

from opticshop.plugin_api import (
    ONCE_PER_RATE,
    Confidence,
    Refusal,
    TaxAssessment,
    TaxBasket,
    TaxCut,
    TaxLine,
    taxed_once_per_rate,
)
from opticshop.plugin_api.testing.samples import invoices
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.errors import PluginDefect, PluginNotAvailable, PluginRefused
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import PaperPlugin, TaxPlugin

pytestmark = pytest.mark.django_db
LINE = TaxLine(code="A", kind="frame", price=D("12.00"), category="standard")
BASKET = TaxBasket(country="GB", place="GB", day=date(2026, 3, 2), currency="GBP", lines=(LINE,))


def untaxed(basket):
    cuts = [[TaxCut(price=line.price, category="Z")] for line in basket.lines]
    return TaxAssessment(
        lines=taxed_once_per_rate(basket, cuts),
        rounding=ONCE_PER_RATE,
        source="invented",
        confidence=Confidence.CONVENTION,
    )


def refuse(*facts):
    raise Refusal("taxes.no-rate", "No rate is known.", "day")


def test_a_rule_divides_a_basket_and_is_named_with_its_version(mill, queries):
    with using_plugins([TaxPlugin(untaxed)]):
        found = plugins.tax_assess(branch=mill, rule="odd-tax", basket=BASKET)
        assert (found.rule, found.title, found.plugin, found.version) == ("odd-tax", "Odd tax", "taxes", "1.2.3")
        assert found.assessment.parts[0].gross == D("12.00")
        assert queries(lambda: plugins.tax_assess(branch=mill, rule="odd-tax", basket=BASKET)) == 1


def other_lines(basket):
    return untaxed(replace(basket, lines=(replace(LINE, price=D("13.00")),)))


def fractions(basket):
    [line] = untaxed(basket).lines
    part = replace(line.parts[0], category="S", rate_percent=D(20), net=D("9.995"), tax=D("2.005"))
    return replace(untaxed(basket), lines=(replace(line, parts=(part,)),))


@pytest.mark.parametrize("answer", [lambda basket: None, other_lines, fractions, lambda basket: 1 / 0])
def test_a_rule_that_breaks_the_contract_is_at_fault_by_name(mill, answer):
    with using_plugins([TaxPlugin(answer)]), pytest.raises(PluginDefect, match="taxes failed in tax rule odd-tax"):
        plugins.tax_assess(branch=mill, rule="odd-tax", basket=BASKET)


def test_a_rule_may_refuse_and_one_that_is_off_or_unknown_is_not_available(mill):
    with using_plugins([TaxPlugin(refuse)]):
        with pytest.raises(PluginRefused, match="No rate is known"):
            plugins.tax_assess(branch=mill, rule="odd-tax", basket=BASKET)
        with pytest.raises(PluginNotAvailable, match="tax rule even-tax"):
            plugins.tax_assess(branch=mill, rule="even-tax", basket=BASKET)
        PluginActivation.objects.create(plugin="taxes", branch=mill, is_active=False)
        with pytest.raises(PluginNotAvailable):
            plugins.tax_assess(branch=mill, rule="odd-tax", basket=BASKET)


def test_an_exporter_writes_a_document_refuses_or_is_at_fault(mill):
    invoice, _ = invoices()
    with using_plugins([PaperPlugin(lambda facts: facts.number.encode())]):
        bound = plugins.invoice_exporter(branch=mill, name="paper")
        assert (bound.media_type, bound.file_extension) == ("text/plain", "txt")
        assert bound.export(invoice) == invoice.number.encode()
        with pytest.raises(PluginNotAvailable, match="invoice exporter stone"):
            plugins.invoice_exporter(branch=None, name="stone")
    with using_plugins([PaperPlugin(refuse)]), pytest.raises(PluginRefused):
        plugins.invoice_exporter(branch=None, name="paper").export(invoice)
    for answer in (lambda facts: "text", lambda facts: b"", lambda facts: 1 / 0):
        with using_plugins([PaperPlugin(answer)]), pytest.raises(PluginDefect, match="papers"):
            plugins.invoice_exporter(branch=None, name="paper").export(invoice)


def test_the_tax_rule_of_a_branch_is_checked_before_an_upgrade(mill):
    from opticshop.pluginhost.checking import stored

    mill.tax_rule = "odd-tax"
    mill.save()
    with using_plugins([TaxPlugin(untaxed)]) as host:
        assert not [finding for finding in stored(host) if "tax rule" in finding.text]
    with using_plugins([PaperPlugin(refuse)]) as host:
        assert "branch MILL: tax rule odd-tax is brought by no plugin" in [finding.text for finding in stored(host)]
