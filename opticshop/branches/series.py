"""The series of document numbers, a letter each: two that shared one would tear gaps into one another."""

from __future__ import annotations

from enum import StrEnum, unique


@unique
class Series(StrEnum):
    ORDER = "O"
    QUOTATION = "Q"
    JOB = "J"
    RECEIPT = "R"
    INVOICE = "I"
    CREDIT_NOTE = "N"
    JOURNAL_ENTRY = "E"
    SCHEME_CLAIM = "V"
    STOCK_COUNT = "C"
    TRANSFER = "T"
    PURCHASE_ORDER = "P"
    SUPPLIER_RETURN = "S"
    LENS_ORDER = "L"
    DELIVERY = "D"
