"""The list of checks for one plugin."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pluggy

from ..calculators import Calculator
from ..channels import MessageChannel
from ..errors import Refusal
from ..hookspecs import DECIDE_HOOKS, NOTIFY_HOOKS, REGISTER_HOOKS, new_plugin_manager
from ..invoices import InvoiceExporter
from ..ledgers import LedgerExporter
from ..manifest import KEBAB_CASE, PluginManifest
from ..pricing import PriceAdjustment
from ..recalls import RecallDecision, RecallPolicy
from ..taxes import TaxAssessment, TaxRule
from ..tolerances import StandardContext, ToleranceStandard
from ..version import API_VERSION
from . import calculator_checks, channel_checks, samples, standard_checks
from .failure import ConformanceFailure, require

__all__ = ["Check", "ConformanceFailure", "conformance_checks"]

_KINDS: dict[str, tuple[type[Any], str]] = {
    "register_calculators": (Calculator, "name"),
    "register_tolerance_standards": (ToleranceStandard, "key"),
    "register_channels": (MessageChannel, "name"),
    "register_recall_policies": (RecallPolicy, "name"),
    "register_ledger_exporters": (LedgerExporter, "name"),
    "register_tax_rules": (TaxRule, "name"),
    "register_invoice_exporters": (InvoiceExporter, "name"),
}


@dataclass(frozen=True, slots=True)
class Check:
    """One check; `run` raises `ConformanceFailure`, or whatever the plugin raised where it must not."""

    name: str
    run: Callable[[], None]


def conformance_checks(
    plugin: Any,
    *,
    settings: Mapping[str, Any] | None = None,
    standards: Sequence[ToleranceStandard] = (),
    state: Callable[[], Any] | None = None,
) -> tuple[Check, ...]:
    """All checks that apply to `plugin`. What it registers is asked for here, once, to name the checks."""
    suite = _Suite(plugin, settings or {}, standards, state)
    return tuple(Check(name, run) for name, run in suite.checks())


class _Suite:
    def __init__(
        self,
        plugin: Any,
        settings: Mapping[str, Any],
        standards: Sequence[ToleranceStandard],
        state: Callable[[], Any] | None,
    ) -> None:
        self._plugin = plugin
        self._own_settings = settings
        self._others = standards
        self._state = state

    def checks(self) -> Iterator[tuple[str, Callable[[], None]]]:
        yield "manifest", self._manifest_is_sound
        yield "hooks", self._hooks_are_known
        manager = self._manager()
        if manager is None:
            return
        registered: dict[str, list[Any]] = {}
        for hook in REGISTER_HOOKS:
            try:
                registered[hook] = self._registered(manager, hook)
            except Exception:
                registered[hook] = []
                yield hook, lambda hook=hook: self._registrations_are_sound(hook)  # type: ignore[misc]
        for hook, things in registered.items():
            if things:
                yield hook, lambda hook=hook: self._registrations_are_sound(hook)  # type: ignore[misc]
        for calculator in registered["register_calculators"]:
            yield from calculator_checks.checks(calculator)
        context = self._context(registered["register_tolerance_standards"])
        for standard in registered["register_tolerance_standards"]:
            yield from standard_checks.checks(standard, context)
        for channel in registered["register_channels"]:
            yield from channel_checks.checks(channel, self._settings, self._secrets())
        for policy in registered["register_recall_policies"]:
            yield f"recall policy {policy.name}", lambda p=policy: self._policy_looks_ahead(p)  # type: ignore[misc]
        for exporter in registered["register_ledger_exporters"]:
            yield f"ledger exporter {exporter.name}", lambda e=exporter: self._exporter_repeats_itself(e)  # type: ignore[misc]
        for rule in registered["register_tax_rules"]:
            yield f"tax rule {rule.name}", lambda r=rule: self._rule_divides_exactly(r)  # type: ignore[misc]
        for exporter in registered["register_invoice_exporters"]:
            yield f"invoice exporter {exporter.name}", lambda e=exporter: self._document_repeats_itself(e)  # type: ignore[misc]
        implemented = {caller.name for caller in manager.get_hookcallers(self._plugin) or ()}
        for hook in DECIDE_HOOKS:
            if hook in implemented:
                yield hook, lambda hook=hook: self._decision_is_sound(hook)  # type: ignore[misc]
        for hook in NOTIFY_HOOKS:
            if hook in implemented:
                yield hook, self._event_is_taken_twice

    def _manifest_is_sound(self) -> None:
        manifest = getattr(self._plugin, "manifest", None)
        require(isinstance(manifest, PluginManifest), "the plugin needs a `manifest` of type PluginManifest")
        assert isinstance(manifest, PluginManifest)
        require(manifest.is_compatible, f"`api` is {manifest.api!r}, which does not admit version {API_VERSION}")
        manifest.settings_with({})
        manifest.settings_with(self._own_settings)
        json.dumps([manifest.settings_schema, manifest.default_settings])

    def _hooks_are_known(self) -> None:
        manager = new_plugin_manager()
        manager.register(self._plugin)
        manager.check_pending()
        require(bool(manager.get_hookcallers(self._plugin)), "the plugin implements no hook")

    def _manager(self) -> pluggy.PluginManager | None:
        """A manager with the plugin, None when it cannot be registered (the check "hooks" then says why)."""
        manager = new_plugin_manager()
        try:
            manager.register(self._plugin)
        except pluggy.PluginValidationError:
            return None
        return manager

    def _settings(self) -> dict[str, Any]:
        manifest: PluginManifest = self._plugin.manifest
        return manifest.settings_with(self._own_settings)

    def _context(self, own: Sequence[ToleranceStandard]) -> StandardContext:
        standards = {standard.key: standard for standard in (*self._others, *own)}
        if not own:
            return StandardContext(standards)
        return StandardContext(standards, {standard.key: self._settings() for standard in own})

    def _registered(self, manager: pluggy.PluginManager, hook: str) -> list[Any]:
        return [thing for things in getattr(manager.hook, hook)() for thing in things]

    def _registrations_are_sound(self, hook: str) -> None:
        kind, key = _KINDS[hook]
        manager = self._manager()
        assert manager is not None
        for things in getattr(manager.hook, hook)():
            require(isinstance(things, Sequence), f"{hook} returns a sequence")
        things = self._registered(manager, hook)
        names = [getattr(thing, key, None) for thing in things]
        for thing, name in zip(things, names, strict=True):
            require(isinstance(thing, kind), f"{hook} returns {kind.__name__} objects, not {type(thing).__name__}")
            require(
                isinstance(name, str) and bool(KEBAB_CASE.fullmatch(name)),
                f"{hook}: {name!r} is not kebab-case",
            )
            require(bool(getattr(thing, "title", "").strip()), f"{hook}: {name} needs a title")
        require(len(set(names)) == len(names), f"{hook}: names are unique, not {names}")
        again = [getattr(thing, key) for thing in self._registered(manager, hook)]
        require(again == names, f"{hook} returns the same things when it is called again")

    def _secrets(self) -> frozenset[str]:
        shapes = self._plugin.manifest.settings_schema.get("properties", {})
        return frozenset(
            name for name, shape in shapes.items() if isinstance(shape, Mapping) and shape.get("writeOnly")
        )

    def _policy_looks_ahead(self, policy: RecallPolicy) -> None:
        settings = self._settings()
        for subject in samples.recall_subjects():
            decision = policy.due_on(subject, settings)
            require(isinstance(decision, RecallDecision), f"{policy.name}: due_on returns a RecallDecision")
            require(
                decision.due_on is None or decision.due_on > subject.issued_on,
                f"{policy.name}: due on {decision.due_on}, not after {subject.issued_on}",
            )
            require(
                bool(decision.reason.strip() and decision.source.strip()),
                f"{policy.name}: a decision has a reason and a source",
            )
            require(policy.due_on(subject, settings) == decision, f"{policy.name}: the same facts, another day")

    def _exporter_repeats_itself(self, exporter: LedgerExporter) -> None:
        settings, entries = self._settings(), samples.journal_entries()
        require(
            "/" in exporter.media_type and bool(exporter.file_extension),
            f"{exporter.name}: media type or extension is missing",
        )
        pieces = list(exporter.export(iter(entries), settings))
        require(all(isinstance(piece, bytes) for piece in pieces), f"{exporter.name}: export yields bytes")
        require(bool(b"".join(pieces)), f"{exporter.name}: two entries gave an empty file")
        again = b"".join(exporter.export(iter(entries), settings))
        require(b"".join(pieces) == again, f"{exporter.name}: the same entries gave other bytes")
        list(exporter.export(iter(()), settings))

    def _rule_divides_exactly(self, rule: TaxRule) -> None:
        settings, assessed = self._settings(), 0
        for basket in samples.tax_baskets():
            try:
                assessment = rule.assess(basket, settings)
            except Refusal:
                continue
            assessed += 1
            require(isinstance(assessment, TaxAssessment), f"{rule.name}: assess returns a TaxAssessment")
            lines = tuple(line.line for line in assessment.lines)
            require(lines == basket.lines, f"{rule.name}: the assessment has other lines than the basket")
            require(
                bool(assessment.rounding.name and assessment.rounding.words and assessment.source.strip()),
                f"{rule.name}: an assessment names its rounding and its source",
            )
            for part in assessment.parts:
                cents = not (part.net % basket.minor_unit or part.tax % basket.minor_unit)
                require(cents, f"{rule.name}: {part.net} and {part.tax} are not in whole {basket.minor_unit}")
            for rate in {part.rate_percent for part in assessment.parts}:
                same = [part for part in assessment.parts if part.rate_percent == rate]
                due = sum(part.net for part in same) * rate / 100
                off = abs(sum(part.tax for part in same) - due)
                require(
                    off <= len(same) * basket.minor_unit,
                    f"{rule.name}: tax at {rate}% is off by {off}, more than rounding explains",
                )
            require(rule.assess(basket, settings) == assessment, f"{rule.name}: the same basket, another answer")
        manifest: PluginManifest = self._plugin.manifest
        needs_facts = bool(manifest.settings_schema.get("properties")) and not self._own_settings
        require(assessed > 0 or needs_facts, f"{rule.name} refuses every basket of the suite")

    def _document_repeats_itself(self, exporter: InvoiceExporter) -> None:
        settings = self._settings()
        require(
            "/" in exporter.media_type and bool(exporter.file_extension),
            f"{exporter.name}: media type or extension is missing",
        )
        for invoice in samples.invoices():
            document = exporter.export(invoice, settings)
            require(isinstance(document, bytes) and bool(document), f"{exporter.name}: export returns bytes")
            require(invoice.number.encode() in document, f"{exporter.name}: the document lacks its number")
            require(document == exporter.export(invoice, settings), f"{exporter.name}: the same facts, other bytes")

    def _decision_is_sound(self, hook: str) -> None:
        drafts: Mapping[str, tuple[str, Sequence[Any]]] = {
            "decide_order_price": ("context", samples.pricing_contexts()),
            "decide_order_placement": ("order", samples.order_drafts()),
            "decide_handover": ("order", samples.handover_drafts()),
        }
        argument, facts = drafts[hook]
        for fact in facts:
            first, second = self._decide(hook, argument, fact), self._decide(hook, argument, fact)
            require(first == second, f"{hook}: the same facts gave {first}, then {second}")

    def _decide(self, hook: str, argument: str, fact: Any) -> Any:
        manager = self._manager()
        assert manager is not None
        try:
            results = getattr(manager.hook, hook)(**{argument: fact}, settings=self._settings())
        except Refusal as refusal:
            require(
                bool(refusal.code.strip() and refusal.message.strip()),
                f"{hook}: a refusal has a code and a message",
            )
            return refusal.code, refusal.message, refusal.field
        if hook != "decide_order_price":
            require(not results, f"{hook} returns nothing")
            return None
        for adjustments in results:
            require(isinstance(adjustments, Sequence), f"{hook} returns a sequence")
            for adjustment in adjustments:
                require(isinstance(adjustment, PriceAdjustment), f"{hook} returns PriceAdjustment objects")
                index = adjustment.line_index
                require(
                    index is None or index < len(fact.lines),
                    f"{hook}: there is no line {index} in the context",
                )
                require(isinstance(adjustment.amount, Decimal), f"{hook}: amounts are Decimal")
        return [tuple(adjustments) for adjustments in results]

    def _event_is_taken_twice(self) -> None:
        manager = self._manager()
        assert manager is not None
        manager.hook.on_event(event=samples.event(), settings=self._settings())
        before = None if self._state is None else self._state()
        manager.hook.on_event(event=samples.event(), settings=self._settings())
        if self._state is not None:
            after = self._state()
            require(after == before, f"on_event: the second delivery changed {before} to {after}")
