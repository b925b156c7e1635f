"""What plugins bring: asks each plugin once, checks every thing it returns, and refuses names that are taken."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import pluggy
from pydantic import BaseModel

from opticshop.plugin_api import (
    Calculator,
    InvoiceExporter,
    LedgerExporter,
    MessageChannel,
    RecallPolicy,
    TaxRule,
    ToleranceStandard,
    new_plugin_manager,
)
from opticshop.plugin_api.manifest import KEBAB_CASE

from .discovery import LeftOut, Plugin, Unfit, said
from .shapes import schema_of

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Brought(Generic[T]):
    """One registered thing and the plugin it comes from."""

    key: str
    thing: T
    plugin: Plugin


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of thing: the hook that registers it, its class, and the attribute that names it."""

    shelf: str
    hook: str
    of: type[Any]
    named_by: str
    word: str


KINDS: tuple[Kind, ...] = (
    Kind("calculators", "register_calculators", Calculator, "name", "calculator"),
    Kind("tolerance_standards", "register_tolerance_standards", ToleranceStandard, "key", "tolerance standard"),
    Kind("channels", "register_channels", MessageChannel, "name", "channel"),
    Kind("recall_policies", "register_recall_policies", RecallPolicy, "name", "recall policy"),
    Kind("ledger_exporters", "register_ledger_exporters", LedgerExporter, "name", "ledger exporter"),
    Kind("tax_rules", "register_tax_rules", TaxRule, "name", "tax rule"),
    Kind("invoice_exporters", "register_invoice_exporters", InvoiceExporter, "name", "invoice exporter"),
)


@dataclass(frozen=True, slots=True)
class Shelves:
    """Everything that the healthy plugins bring, by kind and key, in the order of the keys."""

    calculators: Mapping[str, Brought[Calculator[Any, Any]]] = field(default_factory=dict)
    tolerance_standards: Mapping[str, Brought[ToleranceStandard]] = field(default_factory=dict)
    channels: Mapping[str, Brought[MessageChannel]] = field(default_factory=dict)
    recall_policies: Mapping[str, Brought[RecallPolicy]] = field(default_factory=dict)
    ledger_exporters: Mapping[str, Brought[LedgerExporter]] = field(default_factory=dict)
    tax_rules: Mapping[str, Brought[TaxRule]] = field(default_factory=dict)
    invoice_exporters: Mapping[str, Brought[InvoiceExporter]] = field(default_factory=dict)

    def of(self, plugin_name: str) -> dict[str, list[str]]:
        """The keys that one plugin brings, by kind."""
        return {
            kind.shelf: [key for key, brought in self.shelf(kind).items() if brought.plugin.name == plugin_name]
            for kind in KINDS
        }

    def shelf(self, kind: Kind) -> Mapping[str, Brought[Any]]:
        shelf: Mapping[str, Brought[Any]] = getattr(self, kind.shelf)
        return shelf


def stocked(plugins: Iterable[Plugin]) -> tuple[Shelves, list[Plugin], list[LeftOut]]:
    """The shelves filled plugin by plugin, the plugins that could be asked, and those that are left out whole."""
    filled: dict[str, dict[str, Brought[Any]]] = {kind.shelf: {} for kind in KINDS}
    asked: list[Plugin] = []
    left_out: list[LeftOut] = []
    for plugin in plugins:
        try:
            brings = list(_brought_by(plugin, filled))
        except Unfit as unfit:
            left_out.append(LeftOut(plugin.name, unfit.problem, unfit.reason, plugin.distribution, plugin.manifest))
            continue
        for kind, brought in brings:
            filled[kind.shelf][brought.key] = brought
        asked.append(plugin)
    shelves = {shelf: dict(sorted(things.items())) for shelf, things in filled.items()}
    return Shelves(**shelves), asked, left_out


def _brought_by(plugin: Plugin, taken: Mapping[str, Mapping[str, Brought[Any]]]) -> Iterator[tuple[Kind, Brought[Any]]]:
    """What the plugin registers. Raises Unfit at the first thing that cannot stand on a shelf."""
    apart = new_plugin_manager()
    apart.register(plugin.implementation, name=plugin.name)
    for kind in KINDS:
        mine: set[str] = set()
        for thing in _returned(apart, plugin, kind):
            key = _checked(kind, thing)
            if key in mine:
                raise Unfit("duplicate", f"it registers two {kind.word}s called {key}")
            if key in taken[kind.shelf]:
                other = taken[kind.shelf][key].plugin.name
                raise Unfit("duplicate", f"the {kind.word} {key} is already brought by {other}")
            mine.add(key)
            yield kind, Brought(key, thing, plugin)


def _returned(apart: pluggy.PluginManager, plugin: Plugin, kind: Kind) -> Sequence[Any]:
    ask: Callable[[], list[Any]] = getattr(apart.hook, kind.hook)
    try:
        answers = ask()
    except (Exception, SystemExit) as error:
        raise Unfit("registration", f"{kind.hook} failed: {said(error)}") from error
    for answer in answers:
        if not isinstance(answer, Sequence) or isinstance(answer, str):
            raise Unfit("registration", f"{kind.hook} returned {type(answer).__name__}, not a sequence")
    return [thing for answer in answers for thing in answer]


def _checked(kind: Kind, thing: Any) -> str:
    if not isinstance(thing, kind.of):
        wrong = thing.__name__ if isinstance(thing, type) else type(thing).__name__
        raise Unfit("registration", f"{kind.hook} returned {wrong} where a {kind.of.__name__} is due")
    key = getattr(thing, kind.named_by, None)
    if not isinstance(key, str) or not KEBAB_CASE.fullmatch(key):
        raise Unfit("registration", f"{kind.hook}: the {kind.named_by} {key!r} is not kebab-case")
    if isinstance(thing, Calculator):
        _check_shapes(thing)
    return key


def _check_shapes(calculator: Calculator[Any, Any]) -> None:
    """The documentation of the whole service needs the shapes of every calculator, so each must have a schema."""
    for name in ("Inputs", "Outputs"):
        model = getattr(calculator, name, None)
        if not isinstance(model, type) or not issubclass(model, BaseModel):
            raise Unfit("registration", f"the calculator {calculator.name} has no {name}")
        try:
            schema_of(model)
            schema_of(model, "serialization")
        except Exception as error:
            raise Unfit("registration", f"{calculator.name}.{name} has no JSON Schema: {said(error)}") from error
