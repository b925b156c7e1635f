"""Writes of customers, a module per use case."""

from .consents import (
    ContactChoice,
    ContactChoiceUnknown,
    NoAddressThere,
    address_right,
    address_wrong,
    contact_allow,
    contact_refuse,
)
from .merging import BirthDatesDiffer, MergeRefused, NotMerged, customer_merge, customer_unmerge
from .people import (
    BirthDateImplausible,
    GuardianUnsuitable,
    PhoneUnreadable,
    Registered,
    customer_amend,
    customer_register,
    phone_normalised,
    phone_readings,
)
from .status import (
    NothingToCorrect,
    StatusDayImplausible,
    StatusKnown,
    customer_deceased,
    customer_moved_away,
    customer_status_correct,
)

__all__ = [
    "BirthDateImplausible",
    "BirthDatesDiffer",
    "ContactChoice",
    "ContactChoiceUnknown",
    "GuardianUnsuitable",
    "MergeRefused",
    "NoAddressThere",
    "NotMerged",
    "NothingToCorrect",
    "PhoneUnreadable",
    "Registered",
    "StatusDayImplausible",
    "StatusKnown",
    "address_right",
    "address_wrong",
    "contact_allow",
    "contact_refuse",
    "customer_amend",
    "customer_deceased",
    "customer_merge",
    "customer_moved_away",
    "customer_register",
    "customer_status_correct",
    "customer_unmerge",
    "phone_normalised",
    "phone_readings",
]
