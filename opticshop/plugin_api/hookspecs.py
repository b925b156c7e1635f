# mypy: disable-error-code="empty-body"
"""The hooks. Three families:

*register_*: called once for each plugin when the service starts, before the first request, outside any
transaction. The host keeps what they return for the life of the process. An exception, or a second object of
the same name, leaves the whole plugin out (or stops the start, as the operator chose), reported by the
plugin's name.

*decide_*: called inside the transaction of the step they decide on, only for plugins active at the branch,
one plugin after another in the order of their manifest names. They may refuse by raising `Refusal`, which
rolls the step back. Any other exception rolls it back too and is reported as the plugin's defect. They must
be quick (well under 100 ms), read no network and write nothing.

*on_event*: called from the outbox, after the transaction has been committed, in a job, one plugin at a time;
what one plugin raises is not seen by another.

The host calls each plugin separately, because `settings` are those of that plugin at that branch. An
implementation may leave out parameters that it does not use.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pluggy

from .calculators import Calculator
from .channels import MessageChannel
from .events import Event
from .invoices import InvoiceExporter
from .ledgers import LedgerExporter
from .pricing import PriceAdjustment, PricingContext
from .recalls import RecallPolicy
from .taxes import TaxRule
from .tolerances import ToleranceStandard
from .types import HandoverDraft, OrderDraft, Settings

PROJECT_NAME = "opticshop"

hookspec = pluggy.HookspecMarker(PROJECT_NAME)
hookimpl = pluggy.HookimplMarker(PROJECT_NAME)
"""Marks the methods of a plugin that implement a hook."""

REGISTER_HOOKS = (
    "register_calculators",
    "register_tolerance_standards",
    "register_channels",
    "register_recall_policies",
    "register_ledger_exporters",
    "register_tax_rules",
    "register_invoice_exporters",
)
DECIDE_HOOKS = ("decide_order_price", "decide_order_placement", "decide_handover")
NOTIFY_HOOKS = ("on_event",)


@hookspec
def register_calculators() -> Sequence[Calculator[Any, Any]]:
    """Calculators to publish.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; calculators are listed by topic and name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_tolerance_standards() -> Sequence[ToleranceStandard]:
    """Tolerance standards that a branch may inspect by.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, a branch picks by key. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_channels() -> Sequence[MessageChannel]:
    """Ways to send messages.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, a branch picks by name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_recall_policies() -> Sequence[RecallPolicy]:
    """Rules for the day of the next invitation.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, a branch picks by name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_ledger_exporters() -> Sequence[LedgerExporter]:
    """File formats for the journal.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, the caller picks by name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_tax_rules() -> Sequence[TaxRule]:
    """Ways to divide a price by tax category and rate.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, a branch picks by name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def register_invoice_exporters() -> Sequence[InvoiceExporter]:
    """Document formats for invoices and credit notes.

    When: once at the start, outside any transaction. Returns: a sequence, possibly empty. Order: by plugin
    name; no meaning, the caller picks by name. Exception: the plugin is left out or the start stops.
    """


@hookspec
def decide_order_price(context: PricingContext, settings: Settings) -> Sequence[PriceAdjustment]:
    """Discounts and surcharges for an order.

    When: whenever an order is priced, also for a quotation that is never placed; inside the transaction.
    Returns: a sequence of adjustments, possibly empty; the host adds up those of all plugins. Order: by
    plugin name, which is also the order of printing; every plugin sees list prices, none sees another's
    adjustments. Exception: `Refusal` refuses the pricing; anything else is the plugin's defect. Both roll
    back.
    """


@hookspec
def decide_order_placement(order: OrderDraft, settings: Settings) -> None:
    """May this order be placed?

    When: as an order is placed, after its own checks and pricing, before stock is reserved; inside the
    transaction. Returns: nothing. Order: by plugin name; the first refusal ends it. Exception: `Refusal`
    refuses the order, anything else is the plugin's defect. Both roll back and leave no trace of the order.
    """


@hookspec
def decide_handover(order: HandoverDraft, settings: Settings) -> None:
    """May these spectacles be handed over now?

    When: as the customer collects, after the host's own checks; inside the transaction. Returns: nothing.
    Order: by plugin name; the first refusal ends it. Exception: `Refusal` refuses the handover, anything else
    is the plugin's defect. Both roll back; the spectacles stay in the shop.
    """


@hookspec
def on_event(event: Event, settings: Settings) -> None:
    """Something has happened.

    When: at least once for each event of the outbox, after commit, outside the writer's transaction; possibly
    again, possibly out of order. Returns: nothing. Order: none between plugins. Must be idempotent by
    `event.id`. Exception: recorded for this plugin and event, retried later with growing pauses, then parked
    for a person; neither the writer nor another plugin notices.
    """


def new_plugin_manager() -> pluggy.PluginManager:
    """A plugin manager that knows these hooks and no plugin. Loads no entry points; that is the host's
    choice."""
    from . import hookspecs

    manager = pluggy.PluginManager(PROJECT_NAME)
    manager.add_hookspecs(hookspecs)
    return manager
