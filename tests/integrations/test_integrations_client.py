"""The client of docs/connecting-bookkeeping.md, taken out of the page and run as it stands."""

from __future__ import annotations

import datetime as dt
import os
import re
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from opticshop.accounts.access import actor_for
from opticshop.accounts.services import service_client_register
from opticshop.billing.events import PAYMENT_REFUNDED
from opticshop.billing.services import payment_take
from opticshop.core import clock, outbox
from opticshop.integrations import selectors, sending
from tests.factories import OrderFactory

from .receiving import PAID, SYSTEM, happen

pytestmark = pytest.mark.django_db(transaction=True)
PAGE = Path(__file__).resolve().parents[2] / "docs" / "connecting-bookkeeping.md"


@pytest.fixture(scope="module")
def client_text():
    [found] = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return found


@pytest.fixture
def client(client_text):
    names = {"__name__": "client"}
    exec(compile(client_text, str(PAGE), "exec"), names)
    return names


def pay(branch, receipt, amount, event_type=PAID):
    return happen(branch, event_type, receipt=receipt, method="card", amount=amount)


def test_it_signs_in_polls_and_books_each_payment_once(client_text, live_server, tmp_path, mill, quay):
    with clock.at(dt.datetime.now(dt.UTC)):  # the live server's own threads know no other time
        books = service_client_register(actor=SYSTEM, name="books", role="bookkeeper", branch=mill)
    environment = {
        **os.environ,
        "OPTICSHOP": live_server.url,
        "CLIENT_ID": books.client_id,
        "CLIENT_SECRET": books.client_secret,
    }
    (tmp_path / "client.py").write_text(client_text, encoding="utf-8")

    def run():
        ran = subprocess.run(
            [sys.executable, "-I", "client.py"],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert ran.returncode == 0, ran.stderr
        return [line.split()[1:] for line in ran.stdout.splitlines()]

    assert run() == []
    pay(mill, "MILL-R-1", "50.00")
    pay(quay, "QUAY-R-1", "70.00")
    happen(mill, "orders.placed")
    first = ["/branches/MILL", "MILL-R-1", "card", "50.00"]
    assert run() == [first]
    assert run() == [first], "run again, it books nothing twice"
    pay(mill, "MILL-R-2", "-20.00", PAYMENT_REFUNDED)
    assert run() == [first, ["/branches/MILL", "MILL-R-2", "card", "-20.00"]]


def test_it_verifies_and_books_what_is_pushed(client, add, receiver, mill):
    made = add(mill, format="cloudevents")
    pay(mill, "MILL-R-1", "50.00")
    sending.send_due()
    [(headers, body)] = receiver.heard
    books = client["open_books"](":memory:")
    for _ in range(2):
        client["book"](books, client["verify"](made.secret, headers, body))
    assert books.execute("SELECT receipt, amount FROM payment").fetchall() == [("MILL-R-1", "50.00")]
    with pytest.raises(ValueError, match="not signed"):
        client["verify"](made.secret, headers, body.replace(b"50.00", b"51.00"))
    old = {**headers, "webhook-timestamp": str(int(headers["webhook-timestamp"]) - 301)}
    with pytest.raises(ValueError, match="too old"):
        client["verify"](made.secret, old, body)


def test_it_books_the_event_of_a_real_payment(client, mill, clerk, head_office):
    order = OrderFactory(customer__branch=mill)
    payment = payment_take(actor=actor_for(clerk), order=order, amount=Decimal("50.00"), method="card")
    outbox.deliver_all()
    page = selectors.feed_page(actor_for(head_office), after=0, size=10, types=[PAID])
    [event] = selectors.cloud_events(page.entries)
    books = client["open_books"](":memory:")
    client["book"](books, event)
    assert books.execute("SELECT receipt, method, amount FROM payment").fetchall() == [
        (str(payment.receipt.id), "card", "50.00")
    ]
