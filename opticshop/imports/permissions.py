from enum import StrEnum

from opticshop.catalogue.permissions import CataloguePermission
from opticshop.core.actor import ALL, NOWHERE, Actor, Where
from opticshop.customers.permissions import CustomerPermission
from opticshop.prescriptions.permissions import PrescriptionPermission
from opticshop.stock.permissions import StockPermission


class ImportPermission(StrEnum):
    VIEW = "imports.view"
    RUN = "imports.run"


#: What else is needed at the branch, by kind: a file shows and does nothing its reader could not do by hand.
ALSO: dict[str, StrEnum] = {
    "customers": CustomerPermission.EDIT,
    "prescriptions": PrescriptionPermission.RECORD,
    "stock": StockPermission.RECEIVE,
    "prices": CataloguePermission.EDIT,
}


def where_also(actor: Actor, kind: str) -> Where:
    """Where the actor may do by hand what a file of this kind does; the catalogue is kept everywhere or nowhere."""
    where = actor.where(ALSO[kind])
    return where if kind != "prices" or where is ALL else NOWHERE
