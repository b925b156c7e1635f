"""Shapes shared by the parts of the contract, and the facts given to the decide hooks.

Everything here is frozen and made of plain values: ids are text, money and powers are `Decimal`, days are
`date`, instants are aware `datetime`. A plugin never sees a model instance, a query or a request.
"""

from __future__ import annotations

import base64
import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel

if TYPE_CHECKING:
    from .tolerances import LensKind, LensValues, Outcome

Eye = Literal["right", "left"]
Side = Literal["right", "left", "pair"]

Settings = Mapping[str, Any]
"""Settings of one plugin at one branch: its defaults overlaid with the branch's own, valid against its
schema."""

NO_SETTINGS: Settings = MappingProxyType({})


def no_settings() -> Settings:
    """Default factory for dataclass fields."""
    return NO_SETTINGS


def json_ready(value: Any) -> Any:
    """`value` as JSON types: dataclasses and models become objects, Decimals text, days and instants ISO
    text, bytes base64."""
    if value is None or (isinstance(value, bool | int | float | str) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {item.name: json_ready(getattr(value, item.name)) for item in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, frozenset | set):
        return sorted(json_ready(item) for item in value)
    if isinstance(value, list | tuple):
        return [json_ready(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no JSON form here")


class JsonReady:
    """Mixin of the dataclasses that the host stores or shows as they are."""

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """The fields as JSON types; Decimals are text, so that no digit is lost."""
        result: dict[str, Any] = json_ready(self)
        return result


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderDraft(JsonReady):
    """What is about to be ordered. `age_on_day` is in whole years on `ordered_on`, None when not known.

    `warnings` are the codes of the warnings already raised for this order; `prescription_issued_on` is None
    for a copy of existing spectacles.
    """

    order_id: str
    branch_code: str
    customer_id: str
    ordered_on: date
    age_on_day: int | None
    lens_kind: LensKind
    right: LensValues | None
    left: LensValues | None
    currency: str
    total: Decimal
    prescription_issued_on: date | None = None
    prescription_expires_on: date | None = None
    warnings: tuple[str, ...] = ()
    flags: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverDraft(JsonReady):
    """What is about to be handed over. `age_on_day` counts on the day of supply, not on the day of the order.

    `verdict_outcome` is that of the latest inspection, None when there was none. `supervised_by` is the id of
    the registered person who supervises, None when nobody is named.
    """

    order_id: str
    branch_code: str
    customer_id: str
    handed_over_on: date
    age_on_day: int | None
    lens_kind: LensKind
    right: LensValues | None
    left: LensValues | None
    currency: str
    balance_due: Decimal
    verdict_outcome: Outcome | None = None
    supervised_by: str | None = None
    warnings: tuple[str, ...] = ()
    flags: frozenset[str] = field(default_factory=frozenset)
