"""The tables, shortened to the columns that are shown."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal
from typing import Any

import uuid_utils.compat
from sqlalchemy import DateTime, ForeignKey
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from .. import trade

Key = uuid.UUID
OptionalKey = uuid.UUID | None


class Base(DeclarativeBase):
    type_annotation_map = {dt.datetime: DateTime(timezone=True), dict[str, Any]: JSONB, list[Any]: JSONB}


class Kept(Base):
    __abstract__ = True
    id: Mapped[Key] = mapped_column(primary_key=True, default=uuid_utils.compat.uuid7)
    created_at: Mapped[dt.datetime] = mapped_column(default=lambda: dt.datetime.now(dt.UTC))


class Branch(Kept):
    __tablename__ = "branches_branch"
    time_zone: Mapped[str]
    country: Mapped[str]
    language: Mapped[str]


class Person(Base):
    __tablename__ = "accounts_user"
    id: Mapped[Key] = mapped_column(primary_key=True)
    username: Mapped[str]
    display_name: Mapped[str]
    is_active: Mapped[bool]

    @property
    def name(self) -> str:
        return self.display_name or self.username


class Membership(Kept):
    __tablename__ = "accounts_membership"
    user_id: Mapped[Key]
    branch_id: Mapped[Key]


class Application(Base):
    __tablename__ = "oauth2_provider_application"
    id: Mapped[int] = mapped_column(primary_key=True)
    user_id: Mapped[Key]


class Token(Base):
    __tablename__ = "oauth2_provider_accesstoken"
    id: Mapped[int] = mapped_column(primary_key=True)
    token_checksum: Mapped[str]
    expires: Mapped[dt.datetime]
    application_id: Mapped[int]


class Frame(Kept):
    __tablename__ = "catalogue_frame"
    sku: Mapped[str]
    name: Mapped[str]
    colour: Mapped[str]
    material: Mapped[str]
    mount: Mapped[str]
    box_width_mm: Mapped[Decimal]
    box_height_mm: Mapped[Decimal]
    bridge_mm: Mapped[Decimal]
    effective_diameter_mm: Mapped[Decimal | None]


class LensProduct(Kept):
    __tablename__ = "catalogue_lensproduct"
    sku: Mapped[str]
    name: Mapped[str]
    kind: Mapped[str]


class Refusal(Kept):
    __tablename__ = "customers_contactrefusal"
    customer_id: Mapped[Key] = mapped_column(ForeignKey("customers_customer.id"))
    way: Mapped[str]
    purpose: Mapped[str]


class WrongAddress(Kept):
    __tablename__ = "customers_wrongaddress"
    customer_id: Mapped[Key] = mapped_column(ForeignKey("customers_customer.id"))
    way: Mapped[str]


class Customer(Kept):
    __tablename__ = "customers_customer"
    branch_id: Mapped[Key]
    given_name: Mapped[str]
    family_name: Mapped[str]
    search_given: Mapped[str]
    search_family: Mapped[str]
    birth_date: Mapped[dt.date | None]
    email: Mapped[str] = mapped_column(default="")
    phone: Mapped[str] = mapped_column(default="")
    phone_e164: Mapped[str] = mapped_column(default="")
    address: Mapped[str] = mapped_column(default="")
    postcode: Mapped[str] = mapped_column(default="")
    country: Mapped[str]
    language: Mapped[str]
    guardian_id: Mapped[OptionalKey]
    is_sight_impaired: Mapped[bool] = mapped_column(default=False)
    preferred_channel: Mapped[str]
    wants_recalls: Mapped[bool] = mapped_column(default=True)
    wants_marketing: Mapped[bool] = mapped_column(default=False)
    deceased_on: Mapped[dt.date | None]
    moved_away_on: Mapped[dt.date | None]
    contact_confirmed_on: Mapped[dt.date | None]
    merged_into_id: Mapped[OptionalKey]
    restricted_at: Mapped[dt.datetime | None]
    erased_at: Mapped[dt.datetime | None]
    note: Mapped[str] = mapped_column(default="")
    version: Mapped[int] = mapped_column(default=1)
    refusals: Mapped[list[Refusal]] = relationship(lazy="raise")
    wrong: Mapped[list[WrongAddress]] = relationship(lazy="raise")

    @property
    def wrong_addresses(self) -> list[str]:
        return [each.way for each in self.wrong]

    @property
    def is_merged(self) -> bool:
        return self.merged_into_id is not None

    @property
    def is_restricted(self) -> bool:
        return self.restricted_at is not None


class Prism(Kept):
    __tablename__ = "prescriptions_prescribedprism"
    eye_id: Mapped[Key] = mapped_column(ForeignKey("prescriptions_prescribedeye.id"))
    amount_dpt: Mapped[Decimal]
    base: Mapped[str]
    base_deg: Mapped[Decimal | None]


class Eye(Kept):
    __tablename__ = "prescriptions_prescribedeye"
    prescription_id: Mapped[Key] = mapped_column(ForeignKey("prescriptions_prescription.id"))
    eye: Mapped[str]
    entry: Mapped[str]
    sphere_dpt: Mapped[Decimal | None]
    cylinder_dpt: Mapped[Decimal]
    axis_deg: Mapped[int | None]
    addition_dpt: Mapped[Decimal | None]
    prism: Mapped[list[Prism]] = relationship(order_by=Prism.id, lazy="raise")

    @property
    def computed(self) -> dict[str, Any]:
        prism_in, prism_up = trade.prisms(self.eye, [(each.amount_dpt, each.base) for each in self.prism])
        found = trade.forms(self.sphere_dpt, self.cylinder_dpt, self.axis_deg)
        return {**found, "prism_in_dpt": prism_in, "prism_up_dpt": prism_up}


class Override(Kept):
    __tablename__ = "prescriptions_dispensingoverride"
    prescription_id: Mapped[Key] = mapped_column(ForeignKey("prescriptions_prescription.id"))
    reason: Mapped[str]
    granted_by_id: Mapped[OptionalKey]
    valid_until: Mapped[dt.date]


class Prescription(Kept):
    __tablename__ = "prescriptions_prescription"
    branch_id: Mapped[Key] = mapped_column(ForeignKey("branches_branch.id"))
    customer_id: Mapped[Key]
    purpose: Mapped[str]
    issued_on: Mapped[dt.date]
    expires_on: Mapped[dt.date]
    expiry_source: Mapped[str]
    prescriber_name: Mapped[str]
    prescriber_registration: Mapped[str]
    prescriber_practice: Mapped[str]
    recall_months: Mapped[int | None]
    vertex_distance_mm: Mapped[Decimal | None]
    note: Mapped[str]
    supersedes_id: Mapped[OptionalKey] = mapped_column(ForeignKey("prescriptions_prescription.id"))
    amendment_reason: Mapped[str]
    recorded_by_id: Mapped[OptionalKey]
    branch: Mapped[Branch] = relationship(lazy="raise")
    successor: Mapped[Prescription | None] = relationship(lazy="raise", uselist=False)
    eyes: Mapped[list[Eye]] = relationship(lazy="raise")
    overrides: Mapped[list[Override]] = relationship(order_by=Override.id.desc(), lazy="raise")

    @property
    def prescriber(self) -> dict[str, str]:
        return {
            "name": self.prescriber_name,
            "registration": self.prescriber_registration,
            "practice": self.prescriber_practice,
        }

    @property
    def right(self) -> Eye:
        return next(each for each in self.eyes if each.eye == "right")

    @property
    def left(self) -> Eye:
        return next(each for each in self.eyes if each.eye == "left")

    @property
    def days_left(self) -> int:
        return (self.expires_on - trade.today(self.branch.time_zone)).days

    @property
    def status(self) -> str:
        if self.successor is not None:
            return "superseded"
        return "current" if self.days_left >= 0 else "expired"

    @property
    def superseded_by(self) -> OptionalKey:
        return None if self.successor is None else self.successor.id


class Promise(Kept):
    __tablename__ = "orders_promise"
    order_id: Mapped[Key] = mapped_column(ForeignKey("orders_order.id"))
    promised_on: Mapped[dt.date]
    reason: Mapped[str]
    basis: Mapped[dict[str, Any]]
    made_at: Mapped[dt.datetime]
    made_by_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    maker: Mapped[Person | None] = relationship(lazy="raise")

    @property
    def made_by_name(self) -> str | None:
        return self.maker.name if self.maker else None


class OrderedLens(Kept):
    __tablename__ = "orders_orderedlens"
    order_id: Mapped[Key] = mapped_column(ForeignKey("orders_order.id"))
    eye: Mapped[str]
    product_id: Mapped[Key] = mapped_column(ForeignKey("catalogue_lensproduct.id"))
    sphere_dpt: Mapped[Decimal]
    cylinder_dpt: Mapped[Decimal]
    axis_deg: Mapped[int | None]
    addition_dpt: Mapped[Decimal | None]
    prism_in_dpt: Mapped[Decimal]
    prism_up_dpt: Mapped[Decimal]
    centration_distance_mm: Mapped[Decimal]
    centration_height_mm: Mapped[Decimal]
    is_special_order: Mapped[bool]
    article: Mapped[LensProduct] = relationship(lazy="raise")

    @property
    def sku(self) -> str:
        return self.article.sku

    @property
    def name(self) -> str:
        return self.article.name

    @property
    def kind(self) -> str:
        return self.article.kind


class OrderLine(Kept):
    __tablename__ = "orders_orderline"
    order_id: Mapped[Key] = mapped_column(ForeignKey("orders_order.id"))
    position: Mapped[int]
    kind: Mapped[str]
    eye: Mapped[str]
    sku: Mapped[str]
    description: Mapped[str]
    quantity: Mapped[int]
    unit_price: Mapped[Decimal]
    discount: Mapped[Decimal]
    discount_reason: Mapped[str]
    gross: Mapped[Decimal]
    tax_category: Mapped[str]
    tax_rate_percent: Mapped[Decimal]
    tax: Mapped[Decimal]
    price_list_id: Mapped[OptionalKey]
    reasons: Mapped[list[Any]]


class Order(Kept):
    __tablename__ = "orders_order"
    branch_id: Mapped[Key] = mapped_column(ForeignKey("branches_branch.id"))
    number: Mapped[str]
    customer_id: Mapped[Key]
    prescription_id: Mapped[Key]
    measurement_id: Mapped[Key]
    frame_id: Mapped[Key] = mapped_column(ForeignKey("catalogue_frame.id"))
    frame_is_customers: Mapped[bool]
    purpose: Mapped[str]
    state: Mapped[str]
    placed_at: Mapped[dt.datetime]
    promised_on: Mapped[dt.date]
    replaces_id: Mapped[OptionalKey] = mapped_column(ForeignKey("orders_order.id"))
    replacement_reason: Mapped[str]
    ready_at: Mapped[dt.datetime | None]
    collected_at: Mapped[dt.datetime | None]
    cancelled_reason: Mapped[str]
    currency: Mapped[str]
    total: Mapped[Decimal]
    tax_total: Mapped[Decimal]
    promotion_code: Mapped[str]
    quotation_id: Mapped[OptionalKey]
    computation: Mapped[dict[str, Any]]
    warnings: Mapped[list[Any]]
    note: Mapped[str]
    version: Mapped[int]
    branch: Mapped[Branch] = relationship(lazy="raise")
    frame: Mapped[Frame] = relationship(lazy="raise")
    promises: Mapped[list[Promise]] = relationship(order_by=Promise.id, lazy="raise")
    lenses: Mapped[list[OrderedLens]] = relationship(order_by=OrderedLens.eye.desc(), lazy="raise")
    lines: Mapped[list[OrderLine]] = relationship(order_by=OrderLine.position, lazy="raise")
    replacements: Mapped[list[Order]] = relationship(lazy="raise")

    @property
    def replaced_by(self) -> list[Key]:
        return [each.id for each in self.replacements]

    @property
    def is_late(self) -> bool:
        return self.state in ("placed", "in_workshop") and self.promised_on < trade.today(self.branch.time_zone)


class Bench(Kept):
    __tablename__ = "workshop_bench"
    code: Mapped[str]


class Step(Kept):
    __tablename__ = "workshop_jobstep"
    job_id: Mapped[Key] = mapped_column(ForeignKey("workshop_job.id"))
    position: Mapped[int]
    kind: Mapped[str]
    state: Mapped[str]
    started_at: Mapped[dt.datetime | None]
    started_by_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    done_at: Mapped[dt.datetime | None]
    by_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    note: Mapped[str]
    starter: Mapped[Person | None] = relationship(lazy="raise", foreign_keys=[started_by_id])
    doer: Mapped[Person | None] = relationship(lazy="raise", foreign_keys=[by_id])

    @property
    def label(self) -> str:
        return trade.LABELS[self.kind]

    @property
    def started_by_name(self) -> str | None:
        return self.starter.name if self.starter else None

    @property
    def by_name(self) -> str | None:
        return self.doer.name if self.doer else None


class Reading(Kept):
    __tablename__ = "workshop_lensreading"
    job_id: Mapped[Key] = mapped_column(ForeignKey("workshop_job.id"))
    eye: Mapped[str]
    sphere_dpt: Mapped[Decimal]
    cylinder_dpt: Mapped[Decimal]
    axis_deg: Mapped[int | None]
    addition_dpt: Mapped[Decimal | None]
    prism_in_dpt: Mapped[Decimal | None]
    prism_up_dpt: Mapped[Decimal | None]
    outcome: Mapped[str]
    standard: Mapped[str]
    standard_version: Mapped[str]
    verdict: Mapped[dict[str, Any]]
    instrument_id: Mapped[OptionalKey]
    instrument_flag: Mapped[str]
    of_current_lens: Mapped[bool]
    read_at: Mapped[dt.datetime]
    read_by_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    reader: Mapped[Person | None] = relationship(lazy="raise")

    @property
    def read_by_name(self) -> str | None:
        return self.reader.name if self.reader else None


class Breakage(Kept):
    __tablename__ = "workshop_breakage"
    job_id: Mapped[Key] = mapped_column(ForeignKey("workshop_job.id"))
    eye: Mapped[str]
    step: Mapped[str]
    cause: Mapped[str]
    borne_by: Mapped[str]
    reason: Mapped[str]
    replaced: Mapped[bool]
    cost: Mapped[Decimal | None]
    currency: Mapped[str]
    by_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    breaker: Mapped[Person | None] = relationship(lazy="raise")

    @property
    def by_name(self) -> str | None:
        return self.breaker.name if self.breaker else None


class Job(Kept):
    __tablename__ = "workshop_job"
    branch_id: Mapped[Key] = mapped_column(ForeignKey("branches_branch.id"))
    number: Mapped[str]
    order_id: Mapped[Key] = mapped_column(ForeignKey("orders_order.id"))
    attempt: Mapped[int]
    state: Mapped[str]
    stop_reason: Mapped[str]
    remake_reason: Mapped[str]
    remake_cause: Mapped[str]
    remake_borne_by: Mapped[str]
    remake_cost: Mapped[Decimal | None]
    awaits_frame: Mapped[bool]
    eyes: Mapped[list[Any]]
    awaited_eyes: Mapped[list[Any]]
    cut_eyes: Mapped[list[Any]]
    promised_on: Mapped[dt.date]
    holder_id: Mapped[OptionalKey] = mapped_column(ForeignKey("accounts_user.id"))
    held_since: Mapped[dt.datetime | None]
    bench_id: Mapped[OptionalKey] = mapped_column(ForeignKey("workshop_bench.id"))
    finished_at: Mapped[dt.datetime | None]
    version: Mapped[int]
    branch: Mapped[Branch] = relationship(lazy="raise")
    of_order: Mapped[Order] = relationship(lazy="raise")
    holding: Mapped[Person | None] = relationship(lazy="raise")
    lies_at: Mapped[Bench | None] = relationship(lazy="raise")
    steps: Mapped[list[Step]] = relationship(order_by=Step.position, lazy="raise")
    readings: Mapped[list[Reading]] = relationship(order_by=Reading.id, lazy="raise")
    breakages: Mapped[list[Breakage]] = relationship(order_by=Breakage.id, lazy="raise")

    @property
    def order_number(self) -> str:
        return self.of_order.number

    @property
    def frame_name(self) -> str:
        return self.of_order.frame.name

    @property
    def holder_name(self) -> str | None:
        return self.holding.name if self.holding else None

    @property
    def bench_code(self) -> str | None:
        return self.lies_at.code if self.lies_at else None

    @property
    def tray_code(self) -> str:
        return self.number

    @property
    def is_late(self) -> bool:
        return self.state in trade.LIVE and self.promised_on < trade.today(self.branch.time_zone)

    @property
    def next(self) -> dict[str, Any]:
        steps = [(step.kind, step.state) for step in self.steps]
        return trade.next_of(self.state, self.awaited_eyes, self.awaits_frame, self.stop_reason, steps)

    @property
    def allowed_moves(self) -> list[str]:
        return trade.MOVES[self.state]

    @property
    def lenses(self) -> list[OrderedLens]:
        return self.of_order.lenses

    @property
    def frame(self) -> Frame:
        return self.of_order.frame

    @property
    def frame_is_customers(self) -> bool:
        return self.of_order.frame_is_customers


class Item(Kept):
    __tablename__ = "stock_stockitem"
    kind: Mapped[str]
    frame_id: Mapped[OptionalKey] = mapped_column(ForeignKey("catalogue_frame.id"))
    lens_id: Mapped[OptionalKey] = mapped_column(ForeignKey("catalogue_lensproduct.id"))
    sphere_dpt: Mapped[Decimal | None]
    cylinder_dpt: Mapped[Decimal | None]
    of_frame: Mapped[Frame | None] = relationship(lazy="raise")
    of_lens: Mapped[LensProduct | None] = relationship(lazy="raise")

    @property
    def sku(self) -> str:
        return (self.of_frame or self.of_lens).sku  # type: ignore[union-attr]

    @property
    def description(self) -> str:
        name: str = (self.of_frame or self.of_lens).name  # type: ignore[union-attr]
        return name if self.sphere_dpt is None else f"{name} {self.sphere_dpt:+.2f} / {self.cylinder_dpt:+.2f}"


class Lot(Kept):
    __tablename__ = "stock_lot"
    branch_id: Mapped[Key]
    item_id: Mapped[Key] = mapped_column(ForeignKey("stock_stockitem.id"))
    code: Mapped[str]
    unit_cost: Mapped[Decimal]
    on_hand: Mapped[int]
    reserved: Mapped[int]
    in_transit: Mapped[int]
    is_quarantined: Mapped[bool]
    quarantine_reason: Mapped[str]
    item: Mapped[Item] = relationship(lazy="raise")

    @property
    def available(self) -> int:
        return 0 if self.is_quarantined else self.on_hand - self.reserved


class Receipt(Kept):
    __tablename__ = "billing_receipt"
    payment_id: Mapped[Key] = mapped_column(ForeignKey("billing_payment.id"))
    number: Mapped[str]


class Payment(Kept):
    __tablename__ = "billing_payment"
    branch_id: Mapped[Key]
    order_id: Mapped[Key]
    kind: Mapped[str]
    method: Mapped[str]
    amount: Mapped[Decimal]
    currency: Mapped[str]
    reference: Mapped[str]
    refunds_id: Mapped[OptionalKey]
    reason: Mapped[str]
    till_day_id: Mapped[OptionalKey]
    voucher_id: Mapped[OptionalKey]
    lowers_price: Mapped[bool]
    taken_at: Mapped[dt.datetime]
    taken_by_id: Mapped[OptionalKey]
    receipt: Mapped[Receipt | None] = relationship(lazy="raise", uselist=False)


class Event(Kept):
    __tablename__ = "core_outboxevent"
    type: Mapped[str]
    subject: Mapped[str]
    branch_id: Mapped[Key]
    actor_id: Mapped[Key]
    actor_label: Mapped[str] = mapped_column(default="")
    data: Mapped[dict[str, Any]]
    request_id: Mapped[str] = mapped_column(default="")
    traceparent: Mapped[str] = mapped_column(default="")


class Delivery(Kept):
    __tablename__ = "core_eventdelivery"
    event_id: Mapped[Key]
    handler: Mapped[str]
    state: Mapped[str] = mapped_column(default="pending")
    attempts: Mapped[int] = mapped_column(default=0)
    due_at: Mapped[dt.datetime] = mapped_column(default=lambda: dt.datetime.now(dt.UTC))
    last_error: Mapped[str] = mapped_column(default="")
