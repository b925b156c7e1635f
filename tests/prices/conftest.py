"""Values of a scheme and vouchers granted by them, all invented."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from opticshop.core.actor import system
from opticshop.prices import vouchers_services as services
from opticshop.prices.bands import Power
from opticshop.prices.models import SchemeValue, SchemeVoucher
from tests.factories import CustomerFactory

SCHEME = "uk-optical-voucher"
FROM = dt.date(2026, 1, 1)
WEAK = {"right": Power(Decimal("-2.00"), Decimal("-0.50")), "left": Power(Decimal("-1.75"))}


@pytest.fixture
def value(db: Any) -> Callable[..., SchemeValue]:
    """``value("B", "60.00")`` is entered as in force from the first of January 2026 on."""

    def enter(code: str = "A", amount: str = "45.00", kind: str = "band", **more: Any) -> SchemeValue:
        about = {
            "scheme": SCHEME,
            "nation": "ENG",
            "valid_from": FROM,
            "source": "invented for tests",
            "confidence": "test data",
        }
        return services.scheme_value_add(
            actor=system("test"), kind=kind, code=code, amount=Decimal(amount), **about | more
        )

    return enter


@pytest.fixture
def grant(mill: Any, value: Callable[..., SchemeValue]) -> Callable[..., SchemeVoucher]:
    """``grant("V-1")`` is a voucher of band A, worth 45.00, issued on 20 February 2026 for a new customer."""

    def give(reference: str = "V-1", **more: Any) -> SchemeVoucher:
        if not SchemeValue.objects.filter(code="A", valid_from=FROM).exists():
            value()
        branch = more.pop("branch", mill)
        about = {
            "actor": system("test"),
            "branch": branch,
            "customer": more.pop("customer", None) or CustomerFactory(branch=branch),
            "scheme": SCHEME,
            "nation": "ENG",
            "issued_on": dt.date(2026, 2, 20),
            "eligibility": "benefit",
            "evidence": "award_letter",
            "eyes": WEAK,
        }
        return services.voucher_grant(reference=reference, **about | more)

    return give


@pytest.fixture
def redeemed(grant: Callable[..., SchemeVoucher]) -> Callable[..., SchemeVoucher]:
    """A voucher that paid for an order of ``due``."""

    def redeem(reference: str = "V-1", due: str = "220.00", **more: Any) -> SchemeVoucher:
        voucher = grant(reference, **more)
        services.voucher_redeem(
            actor=system("test"), voucher=voucher, order_total_due=Decimal(due), document=f"orders/{reference}"
        )
        return voucher

    return redeem
