"""The conformance suite notices what it claims to notice."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import count
from typing import Any

import pytest
from opticshop_iso21987 import Iso21987Edition2017

import opticshop.plugin_api as api
from opticshop.plugin_api.testing import Check, PluginConformance, conformance, conformance_checks

MANIFEST = api.PluginManifest(
    name="under-test", title="Under test", version="1.0", api=">=1.0,<2", description="For these tests."
)


class DoubleInputs(api.CalculatorInputs):
    power_dpt: float = api.Quantity.dioptre("Power", ge=-30, le=30, example=-2.0)


class DoubleOutputs(api.CalculatorOutputs):
    doubled_dpt: float = api.Quantity.dioptre("Twice the power")


class Double(api.Calculator[DoubleInputs, DoubleOutputs]):
    name = "double"
    title = "Double"
    version = "1.0"
    topic = "arithmetic"
    source = "arithmetic"
    Inputs = DoubleInputs
    Outputs = DoubleOutputs
    worked_examples = (api.WorkedExample({"power_dpt": 1.5}, {"doubled_dpt": 3.0}, "arithmetic"),)

    def compute(self, inputs: DoubleInputs) -> api.CalculatorResult[DoubleOutputs]:
        return api.CalculatorResult(DoubleOutputs(doubled_dpt=2 * inputs.power_dpt))


class Channel(api.MessageChannel):
    name = "quiet"
    title = "Quiet"
    kind = "console"
    needs = None

    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return api.SendOutcome(state="sent", provider_reference=message.id)


class Policy(api.RecallPolicy):
    name = "next-week"
    title = "Next week"

    def due_on(self, subject: api.RecallSubject, settings: api.Settings = api.NO_SETTINGS) -> api.RecallDecision:
        return api.RecallDecision(
            due_on=subject.issued_on + timedelta(days=7), reason="A week later.", source="invented"
        )


class Exporter(api.LedgerExporter):
    name = "lines"
    title = "Lines"
    media_type = "text/plain"
    file_extension = "txt"

    def export(self, entries: Iterable[api.JournalEntry], settings: api.Settings = api.NO_SETTINGS) -> Iterator[bytes]:
        for entry in entries:
            yield f"{entry.number}\n".encode()


class Untaxed(api.TaxRule):
    name = "untaxed"
    title = "Untaxed"

    def assess(self, basket: api.TaxBasket, settings: api.Settings = api.NO_SETTINGS) -> api.TaxAssessment:
        cuts = [[api.TaxCut(price=line.price, category="Z")] for line in basket.lines]
        return api.TaxAssessment(
            lines=api.taxed_once_per_rate(basket, cuts),
            rounding=api.ONCE_PER_RATE,
            source="invented",
            confidence=api.Confidence.CONVENTION,
        )


class Document(api.InvoiceExporter):
    name = "number"
    title = "Only the number"
    media_type = "text/plain"
    file_extension = "txt"

    def export(self, invoice: api.InvoiceFacts, settings: api.Settings = api.NO_SETTINGS) -> bytes:
        return invoice.number.encode()


class Good:
    """Uses every hook and keeps the contract."""

    manifest = MANIFEST

    def __init__(self) -> None:
        self.seen: set[str] = set()

    @api.hookimpl
    def register_calculators(self) -> Sequence[api.Calculator[Any, Any]]:
        return [Double()]

    @api.hookimpl
    def register_tolerance_standards(self) -> Sequence[api.ToleranceStandard]:
        return [Iso21987Edition2017()]

    @api.hookimpl
    def register_channels(self) -> Sequence[api.MessageChannel]:
        return [Channel()]

    @api.hookimpl
    def register_recall_policies(self) -> Sequence[api.RecallPolicy]:
        return [Policy()]

    @api.hookimpl
    def register_ledger_exporters(self) -> Sequence[api.LedgerExporter]:
        return [Exporter()]

    @api.hookimpl
    def register_tax_rules(self) -> Sequence[api.TaxRule]:
        return [Untaxed()]

    @api.hookimpl
    def register_invoice_exporters(self) -> Sequence[api.InvoiceExporter]:
        return [Document()]

    @api.hookimpl
    def decide_order_price(self, context: api.PricingContext) -> Sequence[api.PriceAdjustment]:
        if context.customer_age is None or context.customer_age >= 16 or not context.lines:
            return ()
        return (api.PriceAdjustment(line_index=0, amount=Decimal("-5.00"), reason="Child", rule="under-test.child"),)

    @api.hookimpl
    def decide_order_placement(self, order: api.OrderDraft) -> None:
        if order.age_on_day is None:
            raise api.Refusal("under-test.age", "The age is needed.", "age_on_day")

    @api.hookimpl
    def decide_handover(self, order: api.HandoverDraft, settings: api.Settings) -> None: ...

    @api.hookimpl
    def on_event(self, event: api.Event) -> None:
        self.seen.add(event.id)


class Quick(Good):
    """The same without the standard, whose checks take longest."""

    @api.hookimpl
    def register_tolerance_standards(self) -> Sequence[api.ToleranceStandard]:
        return []


good = Good()
test_a_plugin_that_uses_every_hook_conforms = conformance(good, state=lambda: set(good.seen))


class TestWithTheClass(PluginConformance):
    plugin = Good()


def test_every_part_of_a_plugin_is_checked() -> None:
    names = " ".join(check.name for check in conformance_checks(Good()))
    for part in (*api.REGISTER_HOOKS, *api.DECIDE_HOOKS, *api.NOTIFY_HOOKS, "manifest", "hooks"):
        assert part in names
    for part in ("calculator double:", "standard iso-21987-2017:", "channel quiet", "policy next-week", "lines"):
        assert part in names


def failures(plugin: Any, **options: Any) -> set[str]:
    """Names of the checks that fail."""

    def fails(check: Check) -> bool:
        try:
            check.run()
        except Exception:
            return True
        return False

    return {check.name for check in conformance_checks(plugin, **options) if fails(check)}


def with_method(name: str, method: Callable[..., Any], base: type[Any] = Quick) -> Any:
    return type("Changed", (base,), {name: api.hookimpl(method)})()


def registering(hook: str, thing: Any) -> Any:
    return with_method(hook, lambda self: [thing])


def test_an_incompatible_or_missing_manifest_is_noticed() -> None:
    newer = replace(MANIFEST, api=">=2")
    assert "manifest" in failures(type("Newer", (Quick,), {"manifest": newer})())


def test_a_misspelt_hook_is_noticed() -> None:
    assert "hooks" in failures(with_method("decide_hand_over", lambda self, order: None))


def test_a_plugin_without_hooks_is_noticed() -> None:
    assert failures(type("Empty", (), {"manifest": MANIFEST})()) == {"hooks"}


class UnboundedInputs(api.CalculatorInputs):
    power_dpt: float = api.Quantity.dioptre("Power", ge=-30, example=-2.0)


class UnitlessOutputs(api.CalculatorOutputs):
    doubled_dpt: float


class LenientInputs(DoubleInputs):
    model_config = {"extra": "ignore"}


class Unbounded(Double):
    Inputs = UnboundedInputs  # type: ignore[assignment]


class Unitless(Double):
    Outputs = UnitlessOutputs  # type: ignore[assignment]

    def compute(self, inputs: Any) -> Any:
        return api.CalculatorResult(UnitlessOutputs(doubled_dpt=2 * inputs.power_dpt))


class Lenient(Double):
    Inputs = LenientInputs


class Drifting(Double):
    def __init__(self) -> None:
        self._calls = count()

    def compute(self, inputs: DoubleInputs) -> api.CalculatorResult[DoubleOutputs]:
        return api.CalculatorResult(DoubleOutputs(doubled_dpt=2 * inputs.power_dpt + next(self._calls)))


class BadBatch(Double):
    def compute_batch(self, rows: Sequence[DoubleInputs]) -> list[api.CalculatorResult[DoubleOutputs]]:
        return [self.compute(row) for row in reversed(rows)][:1]


class Wrong(Double):
    def compute(self, inputs: DoubleInputs) -> api.CalculatorResult[DoubleOutputs]:
        return api.CalculatorResult(DoubleOutputs(doubled_dpt=2.1 * inputs.power_dpt))


@pytest.mark.parametrize(
    ("calculator", "check"),
    [
        (Unbounded(), "describes each field"),
        (Unitless(), "describes each field"),
        (Lenient(), "refuses unknown and infinite inputs"),
        (Drifting(), "runs its example"),
        (BadBatch(), "batch equals single"),
        (Wrong(), "agrees with its worked examples"),
    ],
)
def test_a_faulty_calculator_is_noticed(calculator: api.Calculator[Any, Any], check: str) -> None:
    assert f"calculator double: {check}" in failures(registering("register_calculators", calculator))


class Blind(Iso21987Edition2017):
    """Passes everything, whatever was measured."""

    def evaluate(self, request: api.InspectionRequest, context: api.StandardContext = api.ALONE) -> api.Verdict:
        verdict = super().evaluate(request, context)
        lines = tuple(replace(line, outcome="pass") if line.deviation is not None else line for line in verdict.lines)
        return replace(verdict, outcome="pass", lines=lines, missing=())


class Strict(Iso21987Edition2017):
    """Fails everything."""

    def evaluate(self, request: api.InspectionRequest, context: api.StandardContext = api.ALONE) -> api.Verdict:
        return replace(super().evaluate(request, context), outcome="fail")


class Literal(Iso21987Edition2017):
    """Compares a measurement in the other cylinder sign digit by digit."""

    def evaluate(self, request: api.InspectionRequest, context: api.StandardContext = api.ALONE) -> api.Verdict:
        verdict = super().evaluate(request, context)
        assert request.right is not None
        both = (request.right.ordered.cylinder_dpt or 0) * (request.right.measured.cylinder_dpt or 0)
        return replace(verdict, outcome="fail") if both < 0 else verdict


class Undescribed(Iso21987Edition2017):
    def limits(
        self, settings: api.Settings = api.NO_SETTINGS, context: api.StandardContext = api.ALONE
    ) -> Sequence[api.LimitDescription]:
        return tuple(replace(line, source="") for line in super().limits(settings, context))


class Forgetful(Iso21987Edition2017):
    """Another verdict each time."""

    def __init__(self) -> None:
        self._calls = count()

    def evaluate(self, request: api.InspectionRequest, context: api.StandardContext = api.ALONE) -> api.Verdict:
        return replace(super().evaluate(request, context), notes=(str(next(self._calls)),))


@pytest.mark.parametrize(
    ("standard", "expected"),
    [
        (
            Blind(),
            {
                "a gross error fails",
                "what was not measured never passes",
                "an uncertainty never turns a failing reading into a pass",
            },
        ),
        (Strict(), {"an exact lens passes"}),
        (Literal(), {"the cylinder sign changes nothing"}),
        (Undescribed(), {"describes itself and its limits"}),
        (Forgetful(), {"evaluation is pure", "the cylinder sign changes nothing"}),
    ],
    ids=["blind", "strict", "literal", "undescribed", "forgetful"],
)
def test_a_faulty_standard_is_noticed(standard: api.ToleranceStandard, expected: set[str]) -> None:
    found = failures(registering("register_tolerance_standards", standard))
    assert found == {f"standard iso-21987-2017: {name}" for name in expected}


class Twice(Channel):
    def __init__(self) -> None:
        self._calls = count()

    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return api.SendOutcome(state="sent", provider_reference=str(next(self._calls)))


class Backwards(Policy):
    def due_on(self, subject: api.RecallSubject, settings: api.Settings = api.NO_SETTINGS) -> api.RecallDecision:
        return replace(super().due_on(subject, settings), due_on=subject.issued_on)


class Stamped(Exporter):
    def __init__(self) -> None:
        self._calls = count()

    def export(self, entries: Iterable[api.JournalEntry], settings: api.Settings = api.NO_SETTINGS) -> Iterator[bytes]:
        yield str(next(self._calls)).encode()
        yield from super().export(entries, settings)


class BadName(Policy):
    name = "Next week"


class Overcharging(Untaxed):
    """Writes three units more than the rate gives onto the first line."""

    def assess(self, basket: api.TaxBasket, settings: api.Settings = api.NO_SETTINGS) -> api.TaxAssessment:
        if len(basket.lines) != 1:
            raise api.Refusal("untaxed.one", "One line at a time.")
        cut = [api.TaxCut(price=line.price, category="S", rate_percent=Decimal(20)) for line in basket.lines]
        [line] = api.taxed_once_per_rate(basket, [cut])
        [part], more = line.parts, 3 * basket.minor_unit
        net, gross = (part.net - more, part.gross) if line.line.inclusive else (part.net, part.gross + more)
        wrong = replace(line, parts=(replace(part, net=net, tax=part.tax + more, gross=gross),))
        return replace(super().assess(basket, settings), lines=(wrong,))


class Closed(Untaxed):
    def assess(self, basket: api.TaxBasket, settings: api.Settings = api.NO_SETTINGS) -> api.TaxAssessment:
        raise api.Refusal("untaxed.closed", "Never.")


class Restamped(Document):
    def __init__(self) -> None:
        self._calls = count()

    def export(self, invoice: api.InvoiceFacts, settings: api.Settings = api.NO_SETTINGS) -> bytes:
        return f"{invoice.number} {next(self._calls)}".encode()


@pytest.mark.parametrize(
    ("hook", "thing", "check"),
    [
        ("register_channels", Twice(), "channel quiet: send"),
        ("register_recall_policies", Backwards(), "recall policy next-week"),
        ("register_ledger_exporters", Stamped(), "ledger exporter lines"),
        ("register_tax_rules", Overcharging(), "tax rule untaxed"),
        ("register_tax_rules", Closed(), "tax rule untaxed"),
        ("register_invoice_exporters", Restamped(), "invoice exporter number"),
        ("register_recall_policies", BadName(), "register_recall_policies"),
    ],
)
def test_faulty_channels_policies_and_exporters_are_noticed(hook: str, thing: Any, check: str) -> None:
    assert check in failures(registering(hook, thing))


def test_a_plugin_that_breaks_as_it_registers_is_noticed_and_the_rest_is_still_checked() -> None:
    def broken(self: Any) -> Any:
        raise RuntimeError("no connection")

    plugin = with_method("register_channels", broken)
    assert failures(plugin) == {"register_channels"}
    assert any(check.name.startswith("calculator double") for check in conformance_checks(plugin))


def test_two_things_of_one_name_are_noticed() -> None:
    twice = with_method("register_channels", lambda self: [Channel(), Channel()])
    assert "register_channels" in failures(twice)


def test_faulty_decisions_are_noticed() -> None:
    def price(self: Any, context: api.PricingContext) -> Any:
        return [api.PriceAdjustment(line_index=7, amount=Decimal(1), reason="r", rule="r")]

    assert "decide_order_price" in failures(with_method("decide_order_price", price))
    assert "decide_handover" in failures(with_method("decide_handover", lambda self, order: True))

    def broken(self: Any, order: api.OrderDraft) -> None:
        raise KeyError("x")

    assert "decide_order_placement" in failures(with_method("decide_order_placement", broken))


def test_an_event_that_counts_twice_is_noticed() -> None:
    calls: list[str] = []
    plugin = with_method("on_event", lambda self, event: calls.append(event.id))
    assert failures(plugin, state=lambda: list(calls)) == {"on_event"}
