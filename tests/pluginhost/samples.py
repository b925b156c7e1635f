"""Plugins made on the spot, each as small as the behaviour it is for."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from opticshop.optics.errors import OutOfRange
from opticshop.plugin_api import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    Confidence,
    InvalidInputs,
    InvoiceExporter,
    LedgerExporter,
    MessageChannel,
    PluginManifest,
    PriceAdjustment,
    PriceLine,
    PricingContext,
    Quantity,
    RecallDecision,
    RecallPolicy,
    SendOutcome,
    TaxRule,
    hookimpl,
)
from opticshop.plugin_api.testing import samples as api_samples
from opticshop.plugin_api.tolerance_kit import TableStandard, check_value, fixed_limit


def manifest(name: str, **more: Any) -> PluginManifest:
    details = {"title": name.title(), "version": "1.2.3", "api": ">=1.0,<2", "description": "For tests.", **more}
    return PluginManifest(name=name, **details)


class Prentice(Calculator):
    """Prentice's rule, small enough for a test."""

    name = "prentice"
    title = "Prism by decentration"
    version = "1.0"
    topic = "prism"
    source = "Prentice's rule, P = c F (from memory)"

    class Inputs(CalculatorInputs):
        power_dpt: float = Quantity.dioptre("Power of the lens", ge=-30, le=30, example=-4.0)
        decentration_mm: float = Quantity.mm("Decentration", ge=0, le=50, example=5.0)
        note: str = "none"

    class Outputs(CalculatorOutputs):
        prism_dpt: float = Quantity.prism_dioptre("Prism")

    batches = 0

    def compute(self, inputs: Any) -> CalculatorResult[Any]:
        if inputs.power_dpt == 13:
            raise OutOfRange("Thirteen is not ground here.", field="power_dpt")
        if inputs.power_dpt == 14:
            raise InvalidInputs("Nor is fourteen.", field="thickness_mm")
        if inputs.power_dpt == 15:
            raise ZeroDivisionError("a bug")
        prism = abs(inputs.power_dpt) * inputs.decentration_mm / 10
        warnings = (CalculatorWarning("large", "The prism is large."),) if prism > 5 else ()
        return CalculatorResult(self.Outputs(prism_dpt=prism), ("A thin lens.",), warnings)

    def compute_batch(self, rows: Sequence[Any]) -> list[CalculatorResult[Any]]:
        self.batches += 1
        return super().compute_batch(rows)


class CalculatorPlugin:
    manifest = manifest("calc")

    def __init__(self) -> None:
        self.calculator = Prentice()

    @hookimpl
    def register_calculators(self):
        return [self.calculator]


class SphereOnly(TableStandard):
    """Judges the sphere by a limit that the settings of the branch may widen for the test."""

    standard, edition, key, title = "House", "1", "house-1", "House standard"
    applies_to = "mounted"
    limit_tables = (fixed_limit("sphere", "D", "0.25", "1", Confidence.CONVENTION, "common practice, no source"),)

    def judge_lens(self, judge, eye, lens, request):
        limit = self.limit_tables[0].limit_for(0)
        measured = lens.measured.sphere_dpt
        if measured is None:
            judge.not_measured("sphere", eye, "D", "Not measured.")
        else:
            check_value(judge, "sphere", eye, lens.ordered.sphere_dpt, measured, limit, "D")


class Stricter(SphereOnly):
    """Builds on another standard by key."""

    key, title = "stricter-1", "Stricter house standard"

    def evaluate(self, request, context=None):
        from dataclasses import replace

        verdict = context.evaluate(request.settings["base"], request)
        note = f"strictness {request.settings['strictness']}"
        return replace(verdict, standard_key=self.key, standard_title=self.title, notes=(note,))


class StandardPlugin:
    manifest = manifest("std")

    @hookimpl
    def register_tolerance_standards(self):
        return (SphereOnly(),)


class StricterPlugin:
    manifest = manifest(
        "std-stricter",
        settings_schema={
            "type": "object",
            "additionalProperties": False,
            "properties": {
                "base": {"type": "string"},
                "strictness": {"type": "integer", "minimum": 1, "maximum": 9},
                "token": {"type": "string", "writeOnly": True},
                "bands": {"type": "array", "items": {"type": "number", "exclusiveMinimum": 0}},
            },
            "required": ["base"],
        },
        default_settings={"base": "house-1", "strictness": 1},
    )

    @hookimpl
    def register_tolerance_standards(self):
        return (Stricter(),)


class Pigeon(MessageChannel):
    name, title, kind, needs = "pigeon", "Carrier pigeon", "console", None

    def __init__(self, answer: Callable[[], Any]) -> None:
        self.answer = answer

    def send(self, message, settings):
        return self.answer()


class ChannelPlugin:
    manifest = manifest("pigeons")

    def __init__(self, answer: Callable[[], Any] = lambda: SendOutcome(state="sent")) -> None:
        self.answer = answer

    @hookimpl
    def register_channels(self):
        return (Pigeon(self.answer),)


class YearLater(RecallPolicy):
    name, title = "year", "A year later"

    def due_on(self, subject, settings=None):
        if subject.issued_on == date(2020, 1, 1):
            return RecallDecision(due_on=date(2019, 1, 1), reason="backwards", source="test")
        if subject.issued_on == date(2020, 1, 2):
            raise KeyError("nothing here")
        return RecallDecision(due_on=subject.issued_on.replace(year=2030), reason="later", source="test")


class RecallPlugin:
    manifest = manifest("recalls")

    @hookimpl
    def register_recall_policies(self):
        return (YearLater(),)


class Lines(LedgerExporter):
    name, title, media_type, file_extension = "lines", "One line each", "text/plain", "txt"

    def export(self, entries, settings=None) -> Iterator[bytes]:
        for entry in entries:
            if entry.number == "N-0002":
                raise RuntimeError("paper jam")
            yield entry.number.encode()


class LedgerPlugin:
    manifest = manifest("ledgers")

    @hookimpl
    def register_ledger_exporters(self):
        return (Lines(),)


class OddTax(TaxRule):
    """Answers with what it was given to answer with."""

    name, title = "odd-tax", "Odd tax"

    def __init__(self, answer: Callable[[Any], Any]) -> None:
        self.answer = answer

    def assess(self, basket, settings=None):
        return self.answer(basket)


class TaxPlugin:
    manifest = manifest("taxes")

    def __init__(self, answer: Callable[[Any], Any]) -> None:
        self.rule = OddTax(answer)

    @hookimpl
    def register_tax_rules(self):
        return (self.rule,)


class Paper(InvoiceExporter):
    name, title, media_type, file_extension = "paper", "Paper", "text/plain", "txt"

    def __init__(self, answer: Callable[[Any], Any]) -> None:
        self.answer = answer

    def export(self, invoice, settings=None):
        return self.answer(invoice)


class PaperPlugin:
    manifest = manifest("papers")

    def __init__(self, answer: Callable[[Any], Any]) -> None:
        self.exporter = Paper(answer)

    @hookimpl
    def register_invoice_exporters(self):
        return (self.exporter,)


class Pricer:
    """Takes off what it is told to."""

    def __init__(self, name: str, answer: Callable[[Any, Any], Any], **more: Any) -> None:
        self.manifest = manifest(name, **more)
        self.answer = answer

    @hookimpl
    def decide_order_price(self, context, settings):
        return self.answer(context, settings)


class Gate:
    """Decides on placement and handover by calling what it was given."""

    def __init__(self, name: str, answer: Callable[[Any], Any]) -> None:
        self.manifest = manifest(name)
        self.answer = answer

    @hookimpl
    def decide_order_placement(self, order):
        return self.answer(order)

    @hookimpl
    def decide_handover(self, order):
        return self.answer(order)


class Listener:
    """Remembers the events it heard, with its settings."""

    def __init__(self, name: str = "listener", answer: Callable[[Any], Any] = lambda event: None) -> None:
        self.manifest = manifest(
            name,
            settings_schema={"type": "object", "properties": {"volume": {"type": "integer"}}},
            default_settings={"volume": 1},
        )
        self.heard: list[tuple[Any, Any]] = []
        self.answer = answer

    @hookimpl
    def on_event(self, event, settings):
        self.answer(event)
        self.heard.append((event, dict(settings)))


def off(amount: str, line: int | None = None) -> PriceAdjustment:
    return PriceAdjustment(line_index=line, amount=Decimal(amount), reason="for a test", rule="test")


def context(*prices: str, currency: str = "GBP") -> PricingContext:
    lines = tuple(
        PriceLine(kind="fee", sku=f"S{n}", description="A thing", quantity=Decimal(1), unit_price=Decimal(price))
        for n, price in enumerate(prices)
    )
    return PricingContext(
        branch_code="MILL", currency=currency, priced_on=date(2026, 3, 2), customer_age=40, lines=lines
    )


def order_draft():
    return api_samples.order_drafts()[0]


def handover_draft():
    return api_samples.handover_drafts()[0]


def inspection():
    return api_samples.exact_request(api_samples.ORDERED_LENSES[1], "single_vision")


def asleep(seconds: float) -> Callable[[Any], None]:
    return lambda order: time.sleep(seconds)
