"""A focimeter with its three check pieces at the first branch, written straight into the tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import pytest
from rest_framework.test import APIClient

from opticshop.branches.models import Branch
from opticshop.instruments.models import CheckPiece, Instrument

INSTRUMENTS, PIECES, POLICIES = "/api/v1/instruments/", "/api/v1/check-pieces/", "/api/v1/instrument-policies/"
#: What each piece of the focimeter embodies.
CERTIFIED = {"power_dpt": "5.00", "prism_dpt": "5.00", "axis_deg": "90"}


def add_instrument(branch: Branch, **columns: Any) -> Instrument:
    return Instrument.objects.create(branch=branch, **{"kind": "focimeter", "name": "Focimeter 1", **columns})


def add_piece(branch: Branch, quantity: str = "power_dpt", certified: str = "5.00", **columns: Any) -> CheckPiece:
    values = {"name": f"{quantity} {certified}", "quantity": quantity, "certified_value": Decimal(certified)}
    return CheckPiece.objects.create(branch=branch, **{**values, **columns})


@dataclass
class Focimeter:
    """An instrument and its pieces, with a client that may check it."""

    client: APIClient
    row: Instrument
    pieces: dict[str, CheckPiece] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"{INSTRUMENTS}{self.row.id}/"

    def check(self, quantity: str = "power_dpt", reading: str | None = None, **more: Any) -> Any:
        body = {"piece": str(self.pieces[quantity].id), "reading": reading or CERTIFIED[quantity], **more}
        return self.client.post(f"{self.url}checks/", body)

    def check_all(self) -> None:
        for quantity in CERTIFIED:
            assert self.check(quantity).json()["outcome"] == "pass"

    def state(self) -> str:
        return self.client.get(self.url).json()["calibration"]["state"]


@pytest.fixture
def focimeter(api: Callable[..., APIClient], hand: Any, mill: Branch) -> Focimeter:
    pieces = {quantity: add_piece(mill, quantity, certified) for quantity, certified in CERTIFIED.items()}
    return Focimeter(api(hand), add_instrument(mill), pieces)
