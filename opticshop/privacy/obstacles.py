"""What stands in the way of erasing a person: what is still going on with them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from opticshop.appointments.models import Appointment
from opticshop.billing.models import HeldDeposit
from opticshop.billing.selectors import balance_of
from opticshop.core import clock
from opticshop.correspondence.models import LetterBatch, Message
from opticshop.customers.ages import age_on
from opticshop.customers.contacting import GUARDIAN_BELOW
from opticshop.customers.models import Customer
from opticshop.imports.models import ImportFile
from opticshop.orders.models import Order, OrderState
from opticshop.prices.vouchers_models import SchemeVoucher, VoucherState
from opticshop.quality.models import PairReturn

from .models import PrivacyRequest, RequestKind, RequestState
from .persons import Person, rows_of

_OPEN_ORDER = (OrderState.PLACED, OrderState.IN_WORKSHOP, OrderState.READY)
_OPEN_VOUCHER = (VoucherState.REDEEMED, VoucherState.SUBMITTED)
_COMING = (Appointment.State.BOOKED, Appointment.State.ARRIVED)
_OPEN_FILE = (ImportFile.State.UPLOADED, ImportFile.State.RUNNING, ImportFile.State.STOPPED)


@dataclass(frozen=True, slots=True)
class Obstacle:
    code: str
    about: str
    words: str


def obstacles_of(person: Person) -> list[Obstacle]:
    """What has to be done first, in the order in which it is best done."""
    finders = (_orders, _returns, _appointments, _vouchers, _letters, _wards, _files, _asked)
    return [obstacle for finder in finders for obstacle in finder(person)]


def _orders(person: Person) -> Iterator[Obstacle]:
    held = {row.order_id for row in rows_of(HeldDeposit, person.ids)}
    for order in rows_of(Order, person.ids).select_related("branch").order_by("id"):
        if order.state in _OPEN_ORDER:
            words = f"Order {order.number} is {order.state}: hand it over or cancel it."
            yield Obstacle("order_open", f"orders/{order.id}", words)
            continue
        balance = balance_of(order)
        if balance.due:
            yield Obstacle(
                "balance_unpaid", f"orders/{order.id}", f"{balance.due} {balance.currency} is due for {order.number}."
            )
        elif order.id in held:
            yield Obstacle("money_held", f"orders/{order.id}", f"Money is held for order {order.number}.")


def _returns(person: Person) -> Iterator[Obstacle]:
    undecided = rows_of(PairReturn, person.ids).filter(decision="")
    for pair in undecided.select_related("order").order_by("id"):
        words = f"The pair of order {pair.order.number} came back and nothing is decided: decide it."
        yield Obstacle("return_undecided", f"returns/{pair.id}", words)


def _appointments(person: Person) -> Iterator[Obstacle]:
    agreed = rows_of(Appointment, person.ids).filter(state__in=_COMING, ends_at__gt=clock.now())
    for appointment in agreed.select_related("branch").order_by("starts_at", "id"):
        day = appointment.starts_at.astimezone(ZoneInfo(appointment.branch.time_zone)).date()
        words = f"The person comes on {day} ({appointment.kind}): call the appointment off, or wait until it is over."
        yield Obstacle("appointment_agreed", f"appointments/{appointment.id}", words)


def _vouchers(person: Person) -> Iterator[Obstacle]:
    for voucher in rows_of(SchemeVoucher, person.ids).filter(state__in=_OPEN_VOUCHER).order_by("id"):
        yield Obstacle(
            "voucher_unsettled", f"scheme-vouchers/{voucher.id}", f"The scheme has not settled {voucher.reference}."
        )


def _letters(person: Person) -> Iterator[Obstacle]:
    sending = rows_of(Message, person.ids).filter(state=Message.State.SENDING)
    for message in sending.select_related("batch").order_by("id"):
        if message.batch is not None and message.batch.state == LetterBatch.State.MADE:
            words = "A letter lies in a batch that is not posted: post it or take it back."
            yield Obstacle("letter_unposted", f"letter-batches/{message.batch_id}", words)
        else:
            yield Obstacle("message_leaving", f"messages/{message.id}", "A message is just being sent; try again.")


def _wards(person: Person) -> Iterator[Obstacle]:
    today = clock.today(person.root.branch.time_zone)
    wards = Customer.objects.everywhere("children of one person, permission checked by the caller")
    for ward in wards.filter(guardian__in=person.ids, erased_at=None).exclude(id__in=person.ids).order_by("id"):
        if _is_child(ward.birth_date, today):
            words = "A child has this person for guardian: record another first."
            yield Obstacle("guardian_of_child", f"customers/{ward.id}", words)


def _is_child(birth_date: dt.date | None, today: dt.date) -> bool:
    age = age_on(birth_date, today)
    return age is None or age < GUARDIAN_BELOW.age


def _files(person: Person) -> Iterator[Obstacle]:
    files = ImportFile.objects.everywhere("unfinished files that may name one person, permission checked by the caller")
    marks = Marks.of(person)
    for file in files.filter(state__in=_OPEN_FILE).only("id", "file_name", "content", "encoding").iterator():
        if marks.stand_in(bytes(file.content).decode(file.encoding, "replace")):
            words = f"The unfinished file {file.file_name} names the person: run or cancel it."
            yield Obstacle("import_unfinished", f"imports/{file.id}", words)


@dataclass(frozen=True, slots=True)
class Marks:
    """By what a line of a file is known to be of a person: the e-mail address, the phone number, or both names."""

    ways: frozenset[str]
    names: frozenset[tuple[str, str]]

    @classmethod
    def of(cls, person: Person) -> Marks:
        ways = {mark.casefold() for each in person.records for mark in (each.email, each.phone) if mark}
        names = {(each.given_name.casefold(), each.family_name.casefold()) for each in person.records}
        return cls(frozenset(ways), frozenset(pair for pair in names if all(pair)))

    def stand_in(self, text: str) -> bool:
        """Whether one of its lines has them."""
        for line in text.casefold().splitlines():
            if any(way in line for way in self.ways):
                return True
            if any(given in line and family in line for given, family in self.names):
                return True
        return False


def _asked(person: Person) -> Iterator[Obstacle]:
    asked = PrivacyRequest.objects.everywhere("of one person, permission checked by the caller")
    for request in asked.filter(customer__in=person.ids, kind=RequestKind.ACCESS, state=RequestState.OPEN):
        words = "The person also asked for a copy: give it first."
        yield Obstacle("access_open", f"privacy/requests/{request.id}", words)
