"""Who may do what: the one table of roles and permissions, and the OAuth scopes derived from it.

A role is held at a branch; head office and bookkeeper may hold theirs in every branch. A token narrows what its
user may do to its scopes: ``orders.place`` needs the scope ``orders:write``, ``orders.view`` needs ``orders:read``.
"""

from __future__ import annotations

from enum import StrEnum

from opticshop.accounts.permissions import AccountPermission as Accounts
from opticshop.alerts.permissions import AlertPermission as Alerts
from opticshop.appointments.permissions import AppointmentPermission as Appointments
from opticshop.audit.permissions import AuditPermission as Audit
from opticshop.billing.permissions import BillingPermission as Billing
from opticshop.branches.permissions import BranchPermission as Branches
from opticshop.catalogue.permissions import CataloguePermission as Catalogue
from opticshop.correspondence.permissions import CorrespondencePermission as Correspondence
from opticshop.customers.permissions import CustomerPermission as Customers
from opticshop.exchange.permissions import ExchangePermission as Exchange
from opticshop.imports.permissions import ImportPermission as Imports
from opticshop.instruments.permissions import InstrumentPermission as Instruments
from opticshop.integrations.permissions import IntegrationPermission as Integrations
from opticshop.ledger.permissions import LedgerPermission as Ledger
from opticshop.orders.permissions import OrderPermission as Orders
from opticshop.pluginhost.permissions import CalculatorPermission as Calculators
from opticshop.pluginhost.permissions import PluginPermission as Plugins
from opticshop.prescriptions.permissions import PrescriptionPermission as Prescriptions
from opticshop.prices.permissions import PricePermission as Prices
from opticshop.privacy.permissions import PrivacyPermission as Privacy
from opticshop.purchasing.permissions import PurchasingPermission as Purchasing
from opticshop.quality.permissions import QualityPermission as Quality
from opticshop.reminders.permissions import ReminderPermission as Reminders
from opticshop.replenishment.permissions import ReplenishmentPermission as Replenishment
from opticshop.reports.permissions import ReportPermission as Reports
from opticshop.stock.permissions import StockPermission as Stock
from opticshop.workshop.permissions import WorkshopPermission as Workshop

PERMISSION_ENUMS: tuple[type[StrEnum], ...] = (
    Accounts,
    Alerts,
    Appointments,
    Audit,
    Billing,
    Branches,
    Calculators,
    Catalogue,
    Correspondence,
    Customers,
    Exchange,
    Imports,
    Instruments,
    Integrations,
    Ledger,
    Orders,
    Plugins,
    Prescriptions,
    Prices,
    Privacy,
    Purchasing,
    Quality,
    Reminders,
    Replenishment,
    Reports,
    Stock,
    Workshop,
)

_C, _W, _M, _H, _B = "counter", "workshop", "manager", "head_office", "bookkeeper"

#: permission -> roles that hold it. Read it row by row; nothing else grants anything.
TABLE: dict[StrEnum, tuple[str, ...]] = {
    Branches.VIEW: (_C, _W, _M, _H, _B),
    Branches.EDIT: (_H,),
    Branches.CALENDAR: (_M, _H),
    Audit.VIEW: (_H,),
    Accounts.VIEW: (_M, _H),
    Accounts.MANAGE: (_H,),
    Plugins.VIEW: (_M, _H),
    Plugins.MANAGE: (_H,),
    Calculators.VIEW: (_C, _W, _M, _H),
    Calculators.RUN: (_C, _W, _M, _H),
    Customers.VIEW: (_C, _M, _H),
    Customers.EDIT: (_C, _M, _H),
    Customers.MERGE: (_M, _H),
    Prescriptions.VIEW: (_C, _W, _M, _H),
    Prescriptions.RECORD: (_C, _M, _H),
    Prescriptions.MEASURE: (_C, _M, _H),
    Prescriptions.OVERRIDE: (_M, _H),
    Catalogue.VIEW: (_C, _W, _M, _H, _B),
    Catalogue.EDIT: (_H,),
    Prices.VIEW: (_C, _W, _M, _H, _B),
    Prices.EDIT: (_H,),
    Prices.GRANT: (_C, _M, _H),
    Prices.CLAIM: (_M, _H, _B),
    Prices.VIEW_VOUCHERS: (_C, _M, _H, _B),
    Stock.VIEW: (_C, _W, _M, _H),
    Stock.RECEIVE: (_C, _M, _H),
    Stock.WRITE_OFF: (_W, _M, _H),
    Stock.QUARANTINE: (_C, _W, _M, _H),
    Stock.LIFT_QUARANTINE: (_M, _H),
    Stock.SET_LEVELS: (_M, _H),
    Stock.TRANSFER: (_C, _M, _H),
    Stock.COUNT: (_C, _W, _M, _H),
    Stock.APPROVE_COUNT: (_M, _H),
    Stock.VALUE: (_M, _H, _B),
    Instruments.VIEW: (_C, _W, _M, _H),
    Instruments.CHECK: (_W, _M),
    Instruments.MANAGE: (_M, _H),
    Purchasing.VIEW: (_C, _W, _M, _H),
    Purchasing.ORDER: (_M, _H),
    Purchasing.RECEIVE: (_C, _M, _H),
    Purchasing.EDIT_SUPPLIERS: (_H,),
    Orders.VIEW: (_C, _W, _M, _H),
    Orders.PLACE: (_C, _M, _H),
    Orders.CANCEL: (_M, _H),
    Workshop.VIEW: (_C, _W, _M, _H),
    Workshop.WORK: (_W, _M),
    Workshop.SET_UP: (_M, _H),
    Billing.VIEW: (_C, _M, _H, _B),
    Billing.EXPORT: (_C, _M, _H, _B),
    Billing.TAKE: (_C, _M, _H),
    Billing.REFUND: (_M, _H),
    Billing.TILL: (_C, _M, _H),
    Billing.REOPEN_TILL: (_M, _H),
    Billing.INVOICE: (_C, _M, _H),
    Billing.FORFEIT: (_M, _H),
    Billing.WRITE_OFF: (_M, _H),
    Billing.UNDO_SETTLEMENT: (_M, _H),
    Ledger.VIEW: (_M, _H, _B),
    Ledger.EXPORT: (_H, _B),
    Ledger.CLOSE: (_H, _B),
    Quality.VIEW: (_C, _W, _M, _H),
    Quality.INSPECT: (_W, _M),
    Quality.HANDOVER: (_C, _M),
    Quality.DECIDE_RETURN: (_M,),
    Quality.SUPERVISE: (_C, _W, _M),
    Quality.FIGURES: (_M, _H),
    Replenishment.VIEW: (_M, _H),
    Replenishment.RUN: (_M, _H),
    Correspondence.VIEW: (_C, _M, _H),
    Correspondence.MANAGE: (_M, _H),
    Reminders.VIEW: (_C, _M, _H),
    Reminders.MANAGE: (_M, _H),
    Alerts.VIEW: (_C, _W, _M, _H),
    Alerts.HANDLE: (_C, _W, _M, _H),
    Alerts.SET_UP: (_M, _H),
    Appointments.VIEW: (_C, _M, _H),
    Appointments.BOOK: (_C, _M, _H),
    Appointments.SHARE_FEED: (_M, _H),
    Appointments.SHARE_OWN_FEED: (_C, _M, _H),
    Integrations.VIEW: (_H, _B),
    Integrations.MANAGE: (_H,),
    Exchange.VIEW: (_C, _M, _H),
    Exchange.ADMIT: (_C, _M, _H),
    Imports.VIEW: (_M, _H),
    Imports.RUN: (_M, _H),
    Privacy.VIEW: (_M, _H),
    Privacy.HANDLE: (_H,),
    Reports.VIEW: (_M, _H, _B),
    Reports.RUN: (_M, _H, _B),
    Reports.SCHEDULE: (_M, _H, _B),
}

#: Where a role is held: at one branch it opens that branch and no other; these may be held in every branch at once.
EVERYWHERE: tuple[str, ...] = (_H, _B)

#: Roles that sign in with a second factor, wherever they are held; so does whoever may enter the back office.
SECOND_FACTOR: tuple[str, ...] = (_M, _H)

#: Permissions that also (or only) open what belongs to the whole group: for that they must be held everywhere.
OF_THE_GROUP: dict[StrEnum, str] = {
    Accounts.MANAGE: "roles in every branch, people without a role",
    Audit.VIEW: "the trail, all of it",
    Branches.EDIT: "opening a branch",
    Catalogue.EDIT: "the catalogue and tax rates",
    Integrations.MANAGE: "webhooks that hear of every branch",
    Ledger.CLOSE: "months of the whole company",
    Ledger.EXPORT: "batches of the whole group",
    Plugins.MANAGE: "plugins and their settings for the group",
    Prices.EDIT: "price lists and promotions of the group, values of schemes",
    Purchasing.EDIT_SUPPLIERS: "suppliers and their prices",
    Correspondence.MANAGE: "templates of the group",
    Alerts.SET_UP: "rules of the group",
    Privacy.HANDLE: "how long the group keeps records, and letting go of what is over",
}

#: What money, records or access hang on: an operator who took over a till by PIN alone confirms with the password (and
#: the second factor) first; see docs/credentials.md.
SENSITIVE: frozenset[StrEnum] = frozenset(
    {
        Accounts.MANAGE,
        Appointments.SHARE_FEED,
        Appointments.SHARE_OWN_FEED,
        Audit.VIEW,
        Billing.EXPORT,
        Billing.FORFEIT,
        Billing.REFUND,
        Billing.REOPEN_TILL,
        Billing.UNDO_SETTLEMENT,
        Billing.WRITE_OFF,
        Branches.EDIT,
        Customers.MERGE,
        Exchange.VIEW,
        Imports.RUN,
        Integrations.MANAGE,
        Ledger.CLOSE,
        Ledger.EXPORT,
        Orders.CANCEL,
        Plugins.MANAGE,
        Prescriptions.OVERRIDE,
        Privacy.HANDLE,
        Privacy.VIEW,
        Quality.DECIDE_RETURN,
        Stock.APPROVE_COUNT,
        Stock.LIFT_QUARANTINE,
        Stock.WRITE_OFF,
    }
)

ROLE_TABLE: dict[str, frozenset[str]] = {
    role: frozenset(str(permission) for permission, roles in TABLE.items() if role in roles)
    for role in (_C, _W, _M, _H, _B)
}

OAUTH_SCOPES: dict[str, str] = {}
for _enum in PERMISSION_ENUMS:
    for _member in _enum:
        _area, _verb = str(_member).split(".", 1)
        if _verb == "view":
            OAUTH_SCOPES[f"{_area}:read"] = f"Read {_area}"
        else:
            OAUTH_SCOPES[f"{_area}:write"] = f"Write {_area}"
OAUTH_SCOPES = dict(sorted(OAUTH_SCOPES.items()))
