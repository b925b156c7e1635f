"""The contract between the service and its plugins: all that a plugin may import, besides `opticshop.optics`.

A plugin is an installable distribution with one entry point in the group `opticshop.plugins`, which names an
object with a `manifest` and any number of hook implementations:

    # pyproject.toml
    [project.entry-points."opticshop.plugins"]
    acme-rules = "acme_rules:plugin"

    # acme_rules/__init__.py
    from opticshop.plugin_api import HandoverDraft, PluginManifest, Refusal, hookimpl

    class AcmeRules:
        manifest = PluginManifest(
            name="acme-rules", title="Acme rules", version="1.0", api=">=1.0,<2",
            description="Children collect in the presence of a registered person.",
        )

        @hookimpl
        def decide_handover(self, order: HandoverDraft) -> None:
            is_child = order.age_on_day is None or order.age_on_day < 16
            if is_child and order.supervised_by is None:
                raise Refusal("acme-rules.child", "Name a registered person.", field="supervised_by")

    plugin = AcmeRules()

and one line of tests (`opticshop.plugin_api.testing` needs pytest, so it is not imported here):

    test_conformance = conformance(plugin)

The parts
- `manifest`: who the plugin is, which versions of this contract it works with, the JSON Schema of its
  settings.
- `hookspecs`: the hooks. *register_* at the start, *decide_* inside the transaction (may refuse), *on_event*
  from the outbox (isolated, retried). Each says when it is called, what it returns, in which order, what an
  exception does.
- `calculators`, `tolerances`, `channels`, `recalls`, `ledgers`, `taxes`, `invoices`: the things that can be
  registered.
- `addresses`: `connected`, by which a plugin opens a connection to a host of its settings.
- `tolerance_kit`: tools for writing a tolerance standard as tables of data.
- `pricing`, `events`, `types`: the frozen facts given to hooks. `errors`: what may be raised.
- `version`: `API_VERSION`. It moves apart from the version of the service; within one major version nothing
  is removed, parameters and fields are only added, always with a default.

What holds everywhere
- Facts go in as frozen dataclasses of plain values and come out the same way; no models, queries or requests.
- Powers, lengths and money are exact `Decimal`s; calculators use floats inside and finite numbers at the
  edge.
- `settings` are the plugin's defaults overlaid with the branch's own, valid against the plugin's schema.
- Names of plugins and of everything they register are kebab-case and unique.
- A plugin keeps its data in its own tables or files and refers to records of the service by id.
- What is not exported here or described in these modules is not part of the contract.
"""

from __future__ import annotations

from opticshop.optics.conformity import Confidence

from .addresses import AddressNotAllowed, connected
from .calculators import (
    Calculator,
    CalculatorInputs,
    CalculatorOutputs,
    CalculatorResult,
    CalculatorWarning,
    Quantity,
    WorkedExample,
)
from .channels import (
    Attachment,
    DeliveryReport,
    IncomingReply,
    MessageChannel,
    MessageForm,
    OutboundMessage,
    SendOutcome,
)
from .errors import (
    InvalidFacts,
    InvalidInputs,
    InvalidManifest,
    InvalidSettings,
    PluginApiError,
    Refusal,
    UnknownStandard,
)
from .events import Event
from .hookspecs import DECIDE_HOOKS, NOTIFY_HOOKS, PROJECT_NAME, REGISTER_HOOKS, hookimpl, new_plugin_manager
from .invoices import (
    InvoiceExporter,
    InvoiceFacts,
    InvoiceLine,
    InvoiceParty,
    InvoiceReference,
    InvoiceTaxSubtotal,
)
from .ledgers import JournalEntry, JournalLine, LedgerExporter
from .manifest import PluginManifest
from .pricing import EarlierOrder, PriceAdjustment, PriceLine, PricingContext
from .recalls import RecallDecision, RecallPolicy, RecallSubject
from .taxes import (
    ONCE_PER_RATE,
    AssessedLine,
    TaxAssessment,
    TaxBasket,
    TaxCategoryCode,
    TaxCut,
    TaxedKind,
    TaxLine,
    TaxPart,
    TaxRounding,
    TaxRule,
    dated_rows,
    in_force,
    least_sure,
    shared_out,
    taxed_once_per_rate,
)
from .tolerances import (
    ALONE,
    LENS_KINDS,
    PARAMETERS,
    AppliesTo,
    EyeInspection,
    InspectionRequest,
    LensKind,
    LensValues,
    LimitDescription,
    LineOutcome,
    Outcome,
    PairInspection,
    StandardContext,
    ToleranceStandard,
    Uncertainty,
    Verdict,
    VerdictLine,
)
from .types import NO_SETTINGS, Eye, HandoverDraft, OrderDraft, Settings, Side, json_ready
from .version import API_VERSION, ENTRY_POINT_GROUP, admits_this_api

__all__ = [
    "ALONE",
    "API_VERSION",
    "DECIDE_HOOKS",
    "ENTRY_POINT_GROUP",
    "LENS_KINDS",
    "NOTIFY_HOOKS",
    "NO_SETTINGS",
    "ONCE_PER_RATE",
    "PARAMETERS",
    "PROJECT_NAME",
    "REGISTER_HOOKS",
    "AddressNotAllowed",
    "AppliesTo",
    "AssessedLine",
    "Attachment",
    "Calculator",
    "CalculatorInputs",
    "CalculatorOutputs",
    "CalculatorResult",
    "CalculatorWarning",
    "Confidence",
    "DeliveryReport",
    "EarlierOrder",
    "Event",
    "Eye",
    "EyeInspection",
    "HandoverDraft",
    "IncomingReply",
    "InspectionRequest",
    "InvalidFacts",
    "InvalidInputs",
    "InvalidManifest",
    "InvalidSettings",
    "InvoiceExporter",
    "InvoiceFacts",
    "InvoiceLine",
    "InvoiceParty",
    "InvoiceReference",
    "InvoiceTaxSubtotal",
    "JournalEntry",
    "JournalLine",
    "LedgerExporter",
    "LensKind",
    "LensValues",
    "LimitDescription",
    "LineOutcome",
    "MessageChannel",
    "MessageForm",
    "OrderDraft",
    "OutboundMessage",
    "Outcome",
    "PairInspection",
    "PluginApiError",
    "PluginManifest",
    "PriceAdjustment",
    "PriceLine",
    "PricingContext",
    "Quantity",
    "RecallDecision",
    "RecallPolicy",
    "RecallSubject",
    "Refusal",
    "SendOutcome",
    "Settings",
    "Side",
    "StandardContext",
    "TaxAssessment",
    "TaxBasket",
    "TaxCategoryCode",
    "TaxCut",
    "TaxLine",
    "TaxPart",
    "TaxRounding",
    "TaxRule",
    "TaxedKind",
    "ToleranceStandard",
    "Uncertainty",
    "UnknownStandard",
    "Verdict",
    "VerdictLine",
    "WorkedExample",
    "admits_this_api",
    "connected",
    "dated_rows",
    "hookimpl",
    "in_force",
    "json_ready",
    "least_sure",
    "new_plugin_manager",
    "shared_out",
    "taxed_once_per_rate",
]
