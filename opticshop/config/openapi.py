"""Settings of the OpenAPI document."""

from __future__ import annotations

from typing import Any

_FONT = "system-ui, sans-serif"
_METHODS = ("get", "post", "put", "patch", "delete")


def methods_in_order(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """The operations of a path in a fixed order: Django REST framework gives them in the order of a set."""
    for path, operations in result["paths"].items():
        result["paths"][path] = {name: operations[name] for name in sorted(operations, key=_METHODS.index)}
    return result


_LIMIT_HEADERS: dict[str, dict[str, Any]] = {
    "Retry-After": {"description": "Seconds until there is room again.", "schema": {"type": "integer", "minimum": 1}},
    "RateLimit-Policy": {
        "description": "Each quota by name: q requests in w seconds (draft-ietf-httpapi-ratelimit-headers).",
        "schema": {"type": "string", "examples": ['"user";q=3000;w=60']},
    },
    "RateLimit": {
        "description": "Of each quota: r requests are left, until in t seconds the window turns.",
        "schema": {"type": "string", "examples": ['"user";r=2999;t=60']},
    },
}


def limits_documented(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Bodies that are too large, and what a 429 says in its headers; the quotas stand in every other answer as well."""
    for operations in result["paths"].values():
        for operation in operations.values():
            answers = operation.get("responses", {})
            if "429" in answers:
                answers["429"].setdefault("headers", {}).update(_LIMIT_HEADERS)
            if "415" in answers and "413" not in answers:
                answers["413"] = {**answers["415"], "description": "Too large"}
                operation["responses"] = dict(sorted(answers.items()))
    return result


SPECTACULAR: dict[str, Any] = {
    "TITLE": "opticshop",
    "DESCRIPTION": (
        "The dispensing job of a group of optical shops: customer, prescription, measurements, frame and lenses, "
        "order, stock, payment, workshop, inspection against a tolerance standard, collection and recall.\n\n"
        "Powers are decimals in dioptres, written as strings; axes are whole degrees 1 to 180 (TABO); lengths are "
        "millimetres; money is a decimal string in the branch's currency; instants are UTC, days are the branch's.\n\n"
        "Every failure is `application/problem+json` (RFC 9457) with a stable `type` that is documented at its address."
    ),
    "VERSION": "1.0.0",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.AllowAny"],
    "COMPONENT_SPLIT_REQUEST": True,
    "SCHEMA_PATH_PREFIX": r"/api/v[0-9]+",
    "SWAGGER_UI_DIST": "SIDECAR",
    "SWAGGER_UI_FAVICON_HREF": "SIDECAR",
    "REDOC_DIST": "SIDECAR",
    "REDOC_UI_SETTINGS": {"theme": {"typography": {"fontFamily": _FONT, "headings": {"fontFamily": _FONT}}}},
    "SORT_OPERATIONS": False,
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "opticshop.pluginhost.openapi.calculators_documented",
        "opticshop.pluginhost.openapi.settings_documented",
        "opticshop.exchange.openapi.exchange_documented",
        "opticshop.config.openapi.limits_documented",
        "opticshop.config.openapi.methods_in_order",
    ],
    "ENUM_NAME_OVERRIDES": {
        "AlertCauseEnum": "opticshop.alerts.causes.NAMES",
        "AlertStateEnum": "opticshop.alerts.kinds.AlertState",
        "AccountKindEnum": "opticshop.ledger.models.Account.Kind",
        "ConsentSourceEnum": "opticshop.customers.models.Source",
        "ConsentWhatEnum": "opticshop.customers.models.ConsentChange.What",
        "ContactPurposeEnum": "opticshop.customers.models.Purpose",
        "ContactWayEnum": "opticshop.customers.models.Way",
        "SignInWayEnum": "opticshop.accounts.models.SignIn.Way",
        "StatedSourceEnum": "opticshop.customers.serializers.STATED_SOURCES",
        "StatusWhatEnum": "opticshop.customers.models.StatusChange.What",
        "AppointmentKindEnum": "opticshop.appointments.models.Appointment.Kind",
        "AppointmentStateEnum": "opticshop.appointments.models.Appointment.State",
        "BearerEnum": "opticshop.orders.causes.Bearer",
        "CalendarWhatEnum": "opticshop.appointments.models.CalendarFeed.What",
        "CauseEnum": "opticshop.orders.causes.ALL",
        "OrderCauseEnum": "opticshop.orders.causes.OF_ORDERS",
        "ReturnCauseEnum": "opticshop.orders.causes.OF_RETURNS",
        "EyeEnum": ["right", "left"],
        "ImportKindEnum": "opticshop.imports.models.Kind",
        "ImportStateEnum": "opticshop.imports.models.ImportFile.State",
        "ImportRowStateEnum": "opticshop.imports.models.ImportRow.State",
        "ImportEncodingEnum": "opticshop.imports.models.Encoding",
        "ImportDelimiterEnum": "opticshop.imports.reading.DELIMITERS",
        "ImportDecimalMarkEnum": "opticshop.imports.models.DecimalMark",
        "InstrumentKindEnum": "opticshop.instruments.kinds.InstrumentKind",
        "GaugeMethodEnum": "opticshop.quality.charts_models.GaugeStudy.Method",
        "CalibrationStateEnum": "opticshop.instruments.kinds.CalibrationState",
        "LensKindEnum": "opticshop.catalogue.models.LensProduct.Kind",
        "TaxCategoryEnum": "opticshop.catalogue.models.TaxCategory",
        "LabelKindEnum": ["shelf", "packet"],
        "StockKindEnum": "opticshop.stock.models.StockItem.Kind",
        "StepKindEnum": "opticshop.workshop.models.StepKind",
        "JobStateEnum": "opticshop.workshop.models.JobState",
        "MessagePurposeEnum": "opticshop.correspondence.models.Message.Purpose",
        "PaymentKindEnum": "opticshop.billing.models.Payment.Kind",
        "PaymentMethodEnum": "opticshop.billing.models.Payment.Method",
        "TillEntryKindEnum": "opticshop.billing.models.TillEntry.Kind",
        "TillPurposeEnum": "opticshop.billing.models.TillEntry.Purpose",
        "TillStateEnum": "opticshop.billing.models.TillDay.State",
        "SettlementKindEnum": "opticshop.billing.models.Settlement.Kind",
        "InvoiceKindEnum": "opticshop.billing.models.Invoice.Kind",
        "WebhookEndpointStateEnum": "opticshop.integrations.models.WebhookEndpoint.State",
        "WebhookFormatEnum": "opticshop.integrations.models.WebhookEndpoint.Format",
        "FormatEnum": "opticshop.workshop.traces.models.TraceFormat",
        "OrderPurposeEnum": ["distance", "near"],
        "MeasuringMethodEnum": "opticshop.prescriptions.models.Measurement.Method",
        "PrescriptionPurposeEnum": "opticshop.prescriptions.models.Prescription.Purpose",
        "PrivacyFileStateEnum": "opticshop.privacy.models.AccessFile.State",
        "PrivacyRequestKindEnum": "opticshop.privacy.models.RequestKind",
        "ReportFormatEnum": "opticshop.reports.models.Format",
        "ReportMailStateEnum": "opticshop.reports.models.ReportMail.State",
        "ReportPeriodEnum": "opticshop.reports.models.PeriodInWords",
        "ReportRhythmEnum": "opticshop.reports.models.Rhythm",
        "ReportRunStateEnum": "opticshop.reports.models.ReportRun.State",
        "ReportScheduleStateEnum": "opticshop.reports.models.ReportSchedule.State",
        "ReportSentFormatEnum": "opticshop.reports.models.SentFormat",
        "PrivacyRequestStateEnum": "opticshop.privacy.models.RequestState",
        "PrivacyStepKindEnum": "opticshop.privacy.models.StepKind",
        "PrivacyWayEnum": "opticshop.privacy.models.PrivacyRequest.Way",
        "RecordKindEnum": "opticshop.privacy.serializers.RECORD_KINDS",
        "RetentionRunStateEnum": "opticshop.privacy.models.RunState",
        "PromotionKindEnum": "opticshop.prices.promotions_models.Promotion.Kind",
        "SchemeValueKindEnum": "opticshop.prices.vouchers_models.SchemeValue.Kind",
    },
    "TAGS": [
        {"name": "Sign-in", "description": "Who you are and what you may do where."},
        {"name": "People", "description": "Who works here: roles, invitations, second factors."},
        {"name": "Branches", "description": "The shops of the group."},
        {"name": "Customers", "description": "People who wear what we make."},
        {
            "name": "Prescriptions",
            "description": "Prescriptions as written; amended by superseding, never edited.",
        },
        {"name": "Measurements", "description": "What was measured on the face, by whom, with which frame."},
        {"name": "Frames", "description": "Frames with their boxed sizes."},
        {
            "name": "Lenses",
            "description": "Lens products with index, ranges and surfaces; services charged for.",
        },
        {"name": "Stock", "description": "What is in the drawer, by lot, and every movement of it."},
        {"name": "Purchasing", "description": "Suppliers, prices, purchase orders, goods in, returns, special lenses."},
        {"name": "Orders", "description": "One pair: computed, priced and reserved in one step."},
        {"name": "Payments", "description": "Deposits, balances, receipts."},
        {"name": "Instruments", "description": "What the shop measures and makes with, and its checks."},
        {
            "name": "Prices",
            "description": "Dated price lists, packages, promotions, scheme vouchers, quotes.",
        },
        {"name": "Till", "description": "The day of a till: float, counts, over and short."},
        {"name": "Bookkeeping", "description": "Journal, periods, exports."},
        {"name": "Jobs", "description": "The workshop: steps, readings, breakages."},
        {"name": "Traces", "description": "Outlines of frames, the layout made from them, records for an edger."},
        {"name": "Inspections", "description": "Final inspection against a tolerance standard."},
        {"name": "Control charts", "description": "How steady the work is: charts, capability, gauge studies."},
        {"name": "Handover", "description": "Collection by the customer."},
        {"name": "Replenishment", "description": "What to keep, send and buy: advice from demand, with its reasons."},
        {"name": "Appointments", "description": "Who comes when, and the calendars that show it."},
        {"name": "Messages", "description": "What customers are told, by which way, and what became of it."},
        {"name": "Reminders", "description": "When wearers are called back, and why then."},
        {"name": "Alerts", "description": "What has to be seen before the customer asks."},
        {"name": "Integrations", "description": "Events for pollers; webhooks and their deliveries."},
        {"name": "Clinical exchange", "description": "FHIR resources read and taken in."},
        {"name": "Imports", "description": "Data taken over from files."},
        {"name": "Privacy", "description": "What people ask about their data, erasure, how long records are kept."},
        {"name": "Reports", "description": "Figures that head office steers the group by, as jobs with a file."},
        {"name": "Calculators", "description": "Optics calculators brought by plugins."},
        {"name": "Plugins", "description": "What is installed, active and healthy."},
        {"name": "Audit trail", "description": "Who did and who read what, when and from where."},
    ],
}
