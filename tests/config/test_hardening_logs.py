"""Nothing of a customer in any line of the log, whatever goes wrong: through the production formatter, at DEBUG."""

from __future__ import annotations

import io
import json
import logging

import pytest
from django.db import DataError, IntegrityError, connection, transaction
from django.test import Client

from opticshop.config import logs, scrubbing
from opticshop.core import duties, outbox
from opticshop.core.tasks import run_duty_task

pytestmark = pytest.mark.django_db
#: What stands nowhere else in the program or in the data of the tests.
GIVEN, FAMILY, STREET = "Xanthiaq", "Quillonmark", "Zephyrlane"
PHONE, MAIL, BORN, PASSWORD = "+447911123456", "quillon.mark@zephyr.example.org", "1961-07-23", "Sesame-opens-4711"
MARKS = (GIVEN, FAMILY, STREET, PHONE, "7911123456", "07911 123456", MAIL, BORN, PASSWORD, "-7.25", "zephyr.example")
PERSON = {
    "given_name": GIVEN,
    "family_name": FAMILY,
    "birth_date": BORN,
    "phone": "07911 123456",
    "email": MAIL,
    "address": f"7 {STREET}",
    "postcode": "ZX1 1ZX",
}


@pytest.fixture
def written():
    """All that the handler of production would have written; every logger speaks as loudly as it can."""
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(logs.line_formatter())
    root, level = logging.getLogger(), logging.getLogger().level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    yield stream.getvalue
    root.removeHandler(handler)
    root.setLevel(level)


def assert_silent(text):
    found = [mark for mark in MARKS if mark.lower() in text.lower()]
    assert not found, f"{found} in:\n{text[-3000:]}"


def everything_of(customer):
    return f"{customer} {FAMILY}, {GIVEN}; born {BORN}; {PHONE}; {MAIL}; 7 {STREET}; R -7.25"


class Broken(Exception):
    """A failure that quotes what it failed on, as most do."""


def test_the_main_journey_with_everything_going_wrong(api, clerk, mill, written, monkeypatch):
    client = api(clerk)
    client.raise_request_exception = False
    made = client.post("/api/v1/customers/", {**PERSON, "branch": str(mill.id)})
    assert made.status_code == 201, made.content
    customer = made.json()
    client.post("/api/v1/customers/", {**PERSON, "branch": str(mill.id), "sphere": "-7.25"})
    client.get("/api/v1/customers/", {"name": FAMILY, "birth_date": BORN, "phone": "07911 123456"})
    client.get(f"/api/v1/nothing/{MAIL}/?name={FAMILY}&phone={PHONE}")
    eye = {"sphere_dpt": "-7.25", "prism": []}
    written_down = {"customer": customer["id"], "issued_on": "2026-03-01", "right": eye, "left": eye}
    client.post("/api/v1/prescriptions/", {**written_down, "note": FAMILY})
    Client().post("/sign-in/", {"username": MAIL, "password": PASSWORD, "next": f"/?name={FAMILY}"})
    Client().post("/oauth/token/", {"grant_type": "password", "username": MAIL, "password": PASSWORD})
    client.get("/api/v1/me/", headers={"Authorization": f"Bearer {PASSWORD}", "X-Request-ID": "none"})

    from opticshop.customers.api import CustomerViewSet

    def broken(*args):
        try:
            raise ValueError(everything_of(customer))
        except ValueError as error:
            raise Broken(f"cannot show {FAMILY} <{MAIL}>") from error

    monkeypatch.setattr(CustomerViewSet, "selector", staticmethod(broken))
    monkeypatch.setattr(CustomerViewSet, "prepared", False)
    assert client.get(f"/api/v1/customers/{customer['id']}/").status_code == 500
    assert client.get("/fhir/r4/Patient", {"family": FAMILY}).status_code in {200, 403}

    @outbox.subscribe("customers.tried", "tests.quoting")
    def quoting(event):
        raise Broken(json.dumps(PERSON))

    @duties.duty("tests.quoting", every_seconds=3600)
    def quote():
        raise Broken(everything_of(customer))

    try:
        with transaction.atomic():
            outbox.record(
                event_type="customers.tried",
                subject="customers/x",
                actor=outbox_actor(),
                branch_id=mill.id,
                data={"name": FAMILY},
            )
        outbox.deliver_due()
        run_duty_task.apply(args=("tests.quoting",))
    finally:
        outbox.unsubscribe("customers.tried", "tests.quoting")
        duties._duties.pop("tests.quoting", None)
    told = written()
    assert "tests.config.test_hardening_logs.Broken: (text withheld)" in told
    assert "event delivery" in told
    assert "in broken" in told, "the places in the program are kept"
    assert_silent(told)


def outbox_actor():
    from opticshop.core.actor import system

    return system("test")


def test_errors_of_the_database_tell_no_values(clerk, mill, written):
    log = logging.getLogger("opticshop.test")
    tries = [
        ("INSERT INTO accounts_user (id, username) VALUES (%s, %s)", ["not a key", FAMILY]),
        ("SELECT CAST(%s AS uuid)", [FAMILY]),
        (f"SELECT '{FAMILY}' FROM no_such_table WHERE a = %s", [MAIL]),
    ]
    for statement, values in tries:
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute(statement, values)
        except Exception as error:
            log.exception("while it was written: %s", error)
    for kind in (IntegrityError, DataError):
        try:
            raise kind(f"duplicate key\nDETAIL:  Key (email)=({MAIL}) already exists.") from Broken(FAMILY)
        except kind as error:
            log.error("refused: %s", error, exc_info=error)
            log.error(f"refused: {error!r}", exc_info=True)  # as Celery does: the text is in the message itself
    assert written().count("Traceback") >= 4
    assert_silent(written())


def test_celery_tells_the_kind_of_a_failure_and_no_more(written):
    from celery import shared_task

    @shared_task(name="tests.quoting_task")
    def quoting():
        raise Broken(everything_of("x"))

    quoting.apply()
    assert "tests.quoting_task" in written()
    assert "Broken" in written()
    assert_silent(written())


@pytest.mark.parametrize(
    ("line", "left"),
    [
        ("GET /unsubscribe/AbC1defghijklmnopqrstuvwxyz:1tQ:xyz was slow", "GET /unsubscribe/<words> was slow"),
        ("GET /api/v1/customers/?name=Quillonmark&birth_date=1961-07-23 200", "GET /api/v1/customers/?<query> 200"),
        ("Authorization: Bearer abcdefgh12345678", "<secret>"),
        ("password='Sesame' for clerk", "<secret>' for clerk"),
        ("mail to Quillon.Mark@zephyr.example.org failed", "mail to <mail> failed"),
        ("called +44 7911 123 456 and (0)20 7946 0018 and 0049-89-123456", "called <phone> and <phone> and <phone>"),
        ("born 1961-07-23, seen 2026-03-02T12:00:00Z", "born <day>, seen 2026-03-02T12:00:00Z"),
        ("a\nforged line\x1b[31m\u2028end", "a forged line [31m end"),
        ("order 019c1f2e-7a51-7cc0-8e1f-0123456789ab took 0.012345678 s", None),
        ("127.0.0.1:5432 refused; branch MILL; invoice MILL-2026-000123; status 0x80004005", None),
    ],
)
def test_what_looks_personal_or_secret_is_taken_out_and_keys_stay(line, left):
    assert scrubbing.scrubbed(line) == (line if left is None else left)


def test_what_speaks_of_the_program_is_kept():
    kept = {
        AttributeError("'NoneType' object has no attribute 'pk'"): "AttributeError: 'NoneType' object has no",
        ConnectionRefusedError(111, "Connection refused"): "ConnectionRefusedError: Connection refused",
        ValueError(FAMILY): "ValueError: (text withheld)",
        FileNotFoundError(2, "No such file or directory", f"/x/{FAMILY}"): "FileNotFoundError: No such file",
    }
    for error, words in kept.items():
        assert scrubbing.told(error).startswith(words)
    assert FAMILY in scrubbing.told(ValueError(FAMILY), whole=True)


def test_gunicorn_writes_no_query_no_referrer_and_no_secret_words(caplog):
    import datetime as dt
    from types import SimpleNamespace

    from gunicorn.config import Config

    from opticshop.config.gunicorn_logs import ScrubbedLogger

    environ = {
        "REQUEST_METHOD": "GET",
        "RAW_URI": f"/api/v1/customers/?name={FAMILY}",
        "PATH_INFO": "/calendars/AbC1defghijklmnopqrstuvwxyz0123456789.ics",
        "QUERY_STRING": f"name={FAMILY}",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "192.0.2.7",
        "HTTP_REFERER": f"https://x.example/?name={FAMILY}",
        "HTTP_USER_AGENT": "till/1.0",
    }
    atoms = ScrubbedLogger(Config()).atoms(
        SimpleNamespace(status="200 OK", sent=1, headers=[]), SimpleNamespace(headers=[]), environ, dt.timedelta(0)
    )
    line = Config().access_log_format % {**atoms}
    assert FAMILY not in line
    assert "AbC1" not in line
    assert '"GET /calendars/<words> HTTP/1.1" 200' in line


def test_errors_are_sent_to_nobody(settings):
    """Django's AdminEmailHandler sends what was posted with the error."""
    for logger in (logging.getLogger("django"), logging.getLogger("django.request")):
        assert not [each for each in logger.handlers if "Email" in type(each).__name__]
    assert settings.ADMINS == []
