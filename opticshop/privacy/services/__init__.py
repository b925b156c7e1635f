"""Writes of privacy: requests and what is done about them, copies, erasure, restriction, retention."""

from __future__ import annotations

from .access import CopyNotReady, NoCopyOfThis, copies_expire, copies_make_due, copy_fetch, copy_prepare
from .erasing import ErasureStandsInTheWay, person_erase
from .requests import (
    AskedAlready,
    CopyNotFetched,
    ExtendedAlready,
    NotTheGuardian,
    ReceivedImplausible,
    request_carry_out,
    request_extend,
    request_receive,
    request_refuse,
    request_withdraw,
)
from .restricting import AlreadyRestricted, NotRestricted, person_restrict, person_unrestrict
from .retention import PeriodExists, RunGoesOn, period_write, run_carry_out, run_decide, run_propose

__all__ = [
    "AlreadyRestricted",
    "AskedAlready",
    "CopyNotFetched",
    "CopyNotReady",
    "ErasureStandsInTheWay",
    "ExtendedAlready",
    "NoCopyOfThis",
    "NotRestricted",
    "NotTheGuardian",
    "PeriodExists",
    "ReceivedImplausible",
    "RunGoesOn",
    "copies_expire",
    "copies_make_due",
    "copy_fetch",
    "copy_prepare",
    "period_write",
    "person_erase",
    "person_restrict",
    "person_unrestrict",
    "request_carry_out",
    "request_extend",
    "request_receive",
    "request_refuse",
    "request_withdraw",
    "run_carry_out",
    "run_decide",
    "run_propose",
]
