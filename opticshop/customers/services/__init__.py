"""Writes of customers, a module per use case."""

from .consents import ContactChoice, address_right, address_wrong, contact_allow, contact_refuse
from .people import (
    BirthDateImplausible,
    PhoneUnreadable,
    Registered,
    customer_amend,
    customer_register,
    phone_normalised,
    phone_readings,
)

__all__ = [
    "BirthDateImplausible",
    "ContactChoice",
    "PhoneUnreadable",
    "Registered",
    "address_right",
    "address_wrong",
    "contact_allow",
    "contact_refuse",
    "customer_amend",
    "customer_register",
    "phone_normalised",
    "phone_readings",
]
