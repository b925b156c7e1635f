"""Shapes in and out."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, Field

Key = uuid.UUID
OptionalKey = uuid.UUID | None
Row = TypeVar("Row")


class Out(BaseModel):
    model_config = ConfigDict(from_attributes=True, populate_by_name=True)


class RefusalOut(Out):
    way: str
    purpose: str


class CustomerOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    given_name: str
    family_name: str
    birth_date: dt.date | None
    email: str
    phone: str
    phone_e164: str
    address: str
    postcode: str
    country: str
    language: str
    guardian: OptionalKey = Field(validation_alias="guardian_id")
    is_sight_impaired: bool
    preferred_channel: str
    wants_recalls: bool
    wants_marketing: bool
    refusals: list[RefusalOut]
    wrong_addresses: list[str]
    deceased_on: dt.date | None
    moved_away_on: dt.date | None
    contact_confirmed_on: dt.date | None
    to_confirm: str = ""
    is_merged: bool
    is_restricted: bool
    merged_into: OptionalKey = Field(validation_alias="merged_into_id")
    note: str
    created_at: dt.datetime
    version: int


class NearDuplicateOut(Out):
    id: Key
    given_name: str
    family_name: str
    birth_date: dt.date | None
    phone: str
    email: str


class RegisteredOut(CustomerOut):
    near_duplicates: list[NearDuplicateOut]


class CustomerIn(BaseModel):
    branch: Key
    given_name: str = Field(min_length=1, max_length=80)
    family_name: str = Field(min_length=1, max_length=80)
    birth_date: dt.date
    email: str = Field(max_length=254, pattern=r"^[^@\s]+@[^@\s]+$")
    preferred_channel: str = Field(max_length=10)


class PrismOut(Out):
    amount_dpt: Decimal
    base: str
    base_deg: Decimal | None


class FormOut(Out):
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None


class ComputedOut(Out):
    minus_cylinder: FormOut | None
    plus_cylinder: FormOut | None
    spherical_equivalent_dpt: Decimal | None
    prism_in_dpt: Decimal
    prism_up_dpt: Decimal


class EyeOut(Out):
    entry: str
    sphere_dpt: Decimal | None
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    prism: list[PrismOut]
    computed: ComputedOut


class OverrideOut(Out):
    id: Key
    prescription: Key = Field(validation_alias="prescription_id")
    reason: str
    granted_by: OptionalKey = Field(validation_alias="granted_by_id")
    valid_until: dt.date
    created_at: dt.datetime


class PrescriberOut(Out):
    name: str
    registration: str
    practice: str


class PrescriptionOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    customer: Key = Field(validation_alias="customer_id")
    purpose: str
    issued_on: dt.date
    expires_on: dt.date
    expiry_source: str
    prescriber: PrescriberOut
    recall_months: int | None
    vertex_distance_mm: Decimal | None
    note: str
    right: EyeOut
    left: EyeOut
    status: str
    days_left: int
    supersedes: OptionalKey = Field(validation_alias="supersedes_id")
    superseded_by: OptionalKey
    amendment_reason: str
    overrides: list[OverrideOut]
    recorded_by: OptionalKey = Field(validation_alias="recorded_by_id")
    created_at: dt.datetime


class LensOut(Out):
    eye: str
    product: Key = Field(validation_alias="product_id")
    sku: str
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    prism_in_dpt: Decimal
    prism_up_dpt: Decimal
    centration_distance_mm: Decimal
    centration_height_mm: Decimal
    is_special_order: bool


class LineOut(Out):
    position: int
    kind: str
    eye: str
    sku: str
    description: str
    quantity: int
    unit_price: Decimal
    discount: Decimal
    discount_reason: str
    gross: Decimal
    tax_category: str
    tax_rate_percent: Decimal
    tax: Decimal
    price_list: OptionalKey = Field(validation_alias="price_list_id")
    reasons: list[Any]


class PromiseOut(Out):
    promised_on: dt.date
    reason: str
    basis: dict[str, Any]
    made_at: dt.datetime
    made_by: OptionalKey = Field(validation_alias="made_by_id")
    made_by_name: str | None


class OrderOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    number: str
    customer: Key = Field(validation_alias="customer_id")
    prescription: Key = Field(validation_alias="prescription_id")
    measurement: Key = Field(validation_alias="measurement_id")
    frame: Key = Field(validation_alias="frame_id")
    frame_is_customers: bool
    purpose: str
    state: str
    placed_at: dt.datetime
    promised_on: dt.date
    is_late: bool
    promises: list[PromiseOut]
    replaces: OptionalKey = Field(validation_alias="replaces_id")
    replacement_reason: str
    replaced_by: list[Key]
    ready_at: dt.datetime | None
    collected_at: dt.datetime | None
    cancelled_reason: str
    currency: str
    total: Decimal
    tax_total: Decimal
    promotion_code: str
    quotation: OptionalKey = Field(validation_alias="quotation_id")
    lenses: list[LensOut]
    lines: list[LineOut]
    computation: dict[str, Any]
    warnings: list[Any]
    note: str
    version: int


class NextOut(Out):
    words: str
    step: str | None
    requests: list[str]


class StepOut(Out):
    position: int
    kind: str
    label: str
    state: str
    started_at: dt.datetime | None
    started_by: OptionalKey = Field(validation_alias="started_by_id")
    started_by_name: str | None
    done_at: dt.datetime | None
    by: OptionalKey = Field(validation_alias="by_id")
    by_name: str | None
    note: str


class ReadingOut(Out):
    id: Key
    eye: str
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    prism_in_dpt: Decimal | None
    prism_up_dpt: Decimal | None
    outcome: str
    standard: str
    standard_version: str
    verdict: dict[str, Any]
    instrument: OptionalKey = Field(validation_alias="instrument_id")
    instrument_flag: str
    of_current_lens: bool
    read_at: dt.datetime
    read_by: OptionalKey = Field(validation_alias="read_by_id")
    read_by_name: str | None


class BreakageOut(Out):
    id: Key
    eye: str
    step: str
    cause: str
    borne_by: str
    reason: str
    replaced: bool
    cost: Decimal | None
    currency: str
    by: OptionalKey = Field(validation_alias="by_id")
    by_name: str | None
    created_at: dt.datetime


class BenchLensOut(Out):
    eye: str
    sku: str
    name: str
    kind: str
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    prism_in_dpt: Decimal
    prism_up_dpt: Decimal
    centration_distance_mm: Decimal
    centration_height_mm: Decimal
    is_special_order: bool


class FrameOut(Out):
    sku: str
    name: str
    colour: str
    material: str
    mount: str
    box_width_mm: Decimal
    box_height_mm: Decimal
    bridge_mm: Decimal
    effective_diameter_mm: Decimal | None


class JobOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    number: str
    order: Key = Field(validation_alias="order_id")
    order_number: str
    frame_name: str
    attempt: int
    state: str
    stop_reason: str
    remake_reason: str
    remake_cause: str
    remake_borne_by: str
    remake_cost: Decimal | None
    awaits_frame: bool
    eyes: list[str]
    awaited_eyes: list[str]
    cut_eyes: list[str]
    promised_on: dt.date
    is_late: bool
    holder: OptionalKey = Field(validation_alias="holder_id")
    holder_name: str | None
    held_since: dt.datetime | None
    bench: OptionalKey = Field(validation_alias="bench_id")
    bench_code: str | None
    tray_code: str
    finished_at: dt.datetime | None
    created_at: dt.datetime
    next: NextOut
    version: int


class JobInFullOut(JobOut):
    allowed_moves: list[str]
    steps: list[StepOut]
    readings: list[ReadingOut]
    breakages: list[BreakageOut]
    lenses: list[BenchLensOut]
    frame: FrameOut
    frame_is_customers: bool


class ItemOut(Out):
    id: Key
    kind: str
    frame: OptionalKey = Field(validation_alias="frame_id")
    lens: OptionalKey = Field(validation_alias="lens_id")
    sphere_dpt: Decimal | None
    cylinder_dpt: Decimal | None
    sku: str
    description: str


class LotOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    item: ItemOut
    code: str
    unit_cost: Decimal
    on_hand: int
    reserved: int
    available: int
    in_transit: int
    is_quarantined: bool
    quarantine_reason: str
    created_at: dt.datetime


class ReceiptOut(Out):
    id: Key
    number: str


class PaymentOut(Out):
    id: Key
    branch: Key = Field(validation_alias="branch_id")
    order: Key = Field(validation_alias="order_id")
    kind: str
    method: str
    amount: Decimal
    currency: str
    reference: str
    refunds: OptionalKey = Field(validation_alias="refunds_id")
    reason: str
    till_day: OptionalKey = Field(validation_alias="till_day_id")
    voucher: OptionalKey = Field(validation_alias="voucher_id")
    lowers_price: bool
    taken_at: dt.datetime
    taken_by: OptionalKey = Field(validation_alias="taken_by_id")
    receipt: ReceiptOut | None


class Page(Out, Generic[Row]):  # noqa: UP046: Python 3.11
    next: str | None
    previous: str | None = None
    results: list[Row]
