"""What the mail server receives, and what is said about each way it can go wrong. Servers: tests/mail_servers.py."""

from __future__ import annotations

import socket
import sqlite3
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any, cast

import pytest
from opticshop_mail_channel import MailChannel, journal, plugin

from opticshop.plugin_api import Attachment, InvalidSettings, OutboundMessage
from opticshop.plugin_api.testing import conformance_checks

from .mail_servers import PASSWORD, USER, Scripted, certificate_at, mail_server, nobody_listens, settings_for

MESSAGE = OutboundMessage(
    id="01890a5d-ac96-774b-bcce-b302099a8057",
    to="wren@example.org",
    subject="Ready to collect",
    body="Good morning,\n\nyour spectacles are ready.\n.\n..two dots\n",
    language="en-GB",
    purpose="service",
    branch_name="North (invented)",
)
CHANNEL = MailChannel()


@pytest.fixture(autouse=True)
def directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("OPTICSHOP_MESSAGES_DIR", str(tmp_path / "messages"))
    return tmp_path / "messages"


def parsed(content: bytes | str | None) -> EmailMessage:
    assert isinstance(content, bytes)
    return cast(EmailMessage, message_from_bytes(content, policy=default))


def received(message: OutboundMessage, **settings: Any) -> tuple[EmailMessage, bytes]:
    """The mail as the server got it, parsed by the standard library, and its bytes."""
    with mail_server() as (mailbox, own):
        outcome = CHANNEL.send(message, {**own, **settings})
        assert outcome.state == "sent", outcome
        [envelope] = mailbox.envelopes
    content = envelope.original_content
    assert isinstance(content, bytes)
    return parsed(content), content


def test_a_mail_arrives_with_the_headers_that_standards_ask_for() -> None:
    with mail_server() as (mailbox, settings):
        outcome = CHANNEL.send(
            replace(MESSAGE, reply_to="desk@optician.example", recipient_name="Wren Alder"),
            {**settings, "bounce_address": "bounces@optician.example"},
        )
    [envelope] = mailbox.envelopes
    assert (envelope.mail_from, envelope.rcpt_tos) == ("bounces@optician.example", ["wren@example.org"])
    mail = parsed(envelope.original_content)
    # RFC 5322 section 3.6: From and Date are obligatory, Message-ID is unique; section 3.6.4: it has a left and right.
    assert mail["From"] == '"North (invented)" <north@optician.example>'
    assert mail["To"] == "Wren Alder <wren@example.org>"
    assert mail["Reply-To"] == '"North (invented)" <desk@optician.example>'
    assert mail["Subject"] == "Ready to collect"
    assert mail["Message-ID"] == f"<{MESSAGE.id}@optician.example>" == outcome.provider_reference
    assert parsedate_to_datetime(mail["Date"]).utcoffset() is not None
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    assert mail["Content-Language"] == "en-GB"  # RFC 3282
    assert mail["MIME-Version"] == "1.0"  # RFC 2045 section 4
    assert mail.get_content_type() == "text/plain"
    assert mail["Content-Transfer-Encoding"] == "quoted-printable"
    assert mail.get_content().replace("\r\n", "\n") == MESSAGE.body
    assert "queued as 4F2" in outcome.detail
    assert not mail.defects


def test_files_go_with_the_mail() -> None:
    """RFC 2183: attachment and file name; RFC 2045, 6.8: base64 in lines of 76 at most."""
    rows = ("Zażółć;1\r\n" * 500).encode()
    files = (
        Attachment(name="sums 2026.csv", media_type="text/csv", content=rows),
        Attachment(name="x\r\nBcc: thief@example.org", media_type="no type\r\nX: y", content=b"\x00\xff"),
    )
    mail, content = received(replace(MESSAGE, attachments=files))
    assert max(map(len, content.split(b"\r\n"))) <= 78
    assert content.isascii()
    [text, first, second] = mail.iter_parts()
    assert text.get_content().replace("\r\n", "\n") == MESSAGE.body
    assert mail["Auto-Submitted"] == "auto-generated"
    assert (first.get_content_type(), first.get_filename()) == ("text/csv", "sums 2026.csv")
    assert first.get_content_disposition() == second.get_content_disposition() == "attachment"
    assert [part.get_payload(decode=True) for part in (first, second)] == [rows, b"\x00\xff"]
    assert second.get_content_type() == "application/octet-stream"
    assert mail["Bcc"] is None
    assert not mail.defects


def test_every_line_is_short_and_ends_as_it_must() -> None:
    """RFC 5321 section 4.5.3.1.6: 998 octets and CRLF at most; RFC 5322 section 2.1.1: better 78."""
    text = "Ł" * 400 + "\n" + "x" * 2000 + "\r\nlone \r return\x0b\x0c\x00 zażółć γεια\n"
    message = replace(MESSAGE, subject="Długi temat " * 30, body=text, branch_name="Optyk Łódź " * 6)
    mail, content = received(message)
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 78
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    assert content.isascii()
    assert mail["Subject"] == ("Długi temat " * 30).strip()
    assert mail["From"].addresses[0].display_name == ("Optyk Łódź " * 6).strip()
    body = mail.get_payload(decode=True)
    assert isinstance(body, bytes)
    assert body.decode().split() == text.split()


def test_one_click_unsubscribe_is_offered_where_the_host_gives_an_https_address() -> None:
    """RFC 8058 section 3.1: both headers, the URI in angle brackets, the exact value of the second one."""
    url = "https://optician.example/u/" + "aB3-_." * 60 + "?c=1"
    mail, content = received(replace(MESSAGE, unsubscribe_url=url, purpose="marketing"))
    assert mail["List-Unsubscribe"] == f"<{url}>"
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert content.count(b"List-Unsubscribe:") == 1
    assert max(map(len, content.split(b"\r\n"))) <= 998
    for other in (
        "",
        "http://optician.example/u/1",
        "https://optician.example/u/1\r\nBcc: x@example.org",
        "https://a/>",
    ):
        mail, _ = received(replace(MESSAGE, id=f"m-{len(other)}", unsubscribe_url=other))
        assert mail["List-Unsubscribe"] is None
        assert mail["List-Unsubscribe-Post"] is None
        assert mail["Bcc"] is None


def test_nothing_in_a_message_can_add_a_header() -> None:
    nasty = "Hello\r\nBcc: thief@example.org\r\n\r\nbody \u2028 x\x00"
    mail, _ = received(
        replace(
            MESSAGE, subject=nasty, branch_name=f'{nasty} "x" <a@example.org>,', recipient_name=nasty, language=nasty
        )
    )
    assert mail["Bcc"] is None
    assert "Bcc: thief@example.org" in mail["Subject"]
    assert [one.addr_spec for one in mail["From"].addresses] == ["north@optician.example"]
    assert [one.addr_spec for one in mail["To"].addresses] == ["wren@example.org"]
    assert mail["Content-Language"] is None
    assert mail.get_content().replace("\r\n", "\n") == MESSAGE.body


@pytest.mark.parametrize(
    "to",
    [
        "",
        "wren",
        "@example.org",
        "wren@",
        "wren@example.org\r\nRCPT TO:<thief@example.org>",
        "wren@example.org, thief@example.org",
        "wren alder@example.org",
        "<wren@example.org>",
        "a..b@example.org",
        "wren@exam_ple.org",
        "x" * 65 + "@example.org",
    ],
)
def test_what_is_no_address_is_refused_and_no_server_is_asked(to: str) -> None:
    assert CHANNEL.send(replace(MESSAGE, to=to), settings_for(nobody_listens())).state == "refused"


def test_addresses_beyond_ascii_are_sent_as_dns_and_rfc_6531_have_them() -> None:
    with mail_server() as (mailbox, settings):
        assert CHANNEL.send(replace(MESSAGE, to="wren@zażółć.example"), settings).state == "sent"
        assert CHANNEL.send(replace(MESSAGE, id="m-2", to="żółw@example.org"), settings).state == "sent"
    assert mailbox.envelopes[0].rcpt_tos == ["wren@" + "zażółć.example".encode("idna").decode()]
    assert mailbox.envelopes[1].rcpt_tos == ["żółw@example.org"]
    assert b"\r\nTo: " + "żółw@example.org".encode() in bytes(mailbox.envelopes[1].original_content or b"")
    with Scripted({}) as server:  # offers no SMTPUTF8
        outcome = CHANNEL.send(replace(MESSAGE, id="m-3", to="żółw@example.org"), settings_for(server.port))
    assert outcome.state == "refused"
    assert "MAIL" not in server.heard


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_mail_goes_encrypted_and_after_a_login(tmp_path: Path, security: str) -> None:
    pem = certificate_at(tmp_path / "mail.pem")
    with mail_server(certificate=tmp_path / "mail.pem", security=security) as (mailbox, settings):
        login = {**settings, "ca_certificate": pem, "username": USER}
        assert CHANNEL.send(MESSAGE, {**login, "password": PASSWORD}).state == "sent"
        wrong = CHANNEL.send(replace(MESSAGE, id="m-2"), {**login, "password": "wrong-secret"})
        strange = CHANNEL.send(replace(MESSAGE, id="m-3"), {**login, "password": "wröng-secret"})
        untrusted = CHANNEL.send(replace(MESSAGE, id="m-4"), {**settings, "username": USER, "password": PASSWORD})
    assert len(mailbox.envelopes) == 1
    assert (wrong.state, strange.state, untrusted.state) == ("retry", "retry", "retry")
    assert wrong.detail == "The mail server does not admit the login (535)."
    assert "secret" not in wrong.detail + strange.detail + untrusted.detail
    assert "certificate" in untrusted.detail


def test_a_certificate_for_another_name_is_not_trusted(tmp_path: Path) -> None:
    pem = certificate_at(tmp_path / "mail.pem", host="127.0.0.9")
    with mail_server(certificate=tmp_path / "mail.pem", security="starttls") as (mailbox, settings):
        outcome = CHANNEL.send(MESSAGE, {**settings, "ca_certificate": pem, "username": USER, "password": PASSWORD})
    assert (outcome.state, mailbox.envelopes) == ("retry", [])


def test_no_mail_leaves_in_the_clear_when_the_server_offers_no_encryption() -> None:
    with Scripted({"EHLO": "250 mail.example"}) as server:
        outcome = CHANNEL.send(MESSAGE, settings_for(server.port, security="starttls"))
    assert outcome.state == "retry"
    assert set(server.heard) <= {"EHLO", "QUIT"}


def test_a_server_that_refuses_a_recipient_says_for_how_long() -> None:
    refusals = {"gone@example.org": "550 5.1.1 No such person", "full@example.org": "451 4.2.2 Mailbox full"}
    with mail_server(refusals=refusals) as (mailbox, settings):
        gone = CHANNEL.send(replace(MESSAGE, to="gone@example.org"), settings)
        full = CHANNEL.send(replace(MESSAGE, id="m-2", to="full@example.org"), settings)
    assert (gone.state, gone.detail) == ("refused", "550 5.1.1 No such person")
    assert (full.state, full.detail) == ("retry", "451 4.2.2 Mailbox full")
    assert not mailbox.envelopes


# RFC 5321: section 4.2.1 what the first digit means; 4.5.3.2 timeouts; 4.1.1.4 the end mark; 4.1.1.10 broken off.
@pytest.mark.parametrize(
    ("answers", "state"),
    [
        ({"GREETING": "421 busy"}, "retry"),
        ({"GREETING": "554 no service"}, "retry"),
        ({"GREETING": None}, "retry"),
        ({"GREETING": ""}, "retry"),
        ({"EHLO": ""}, "retry"),
        ({"MAIL": "451 later"}, "retry"),
        ({"MAIL": "530 log in first"}, "retry"),
        ({"MAIL": None}, "retry"),
        ({"RCPT": "250 ok"}, "sent"),
        ({"RCPT": "251 forwarded"}, "sent"),
        ({"RCPT": "421 closing"}, "retry"),
        ({"RCPT": "550 no such person"}, "refused"),
        ({"RCPT": ""}, "retry"),
        ({"RCPT": None}, "retry"),
        ({"RCPT": "nonsense"}, "retry"),
        ({"DATA": "452 no room"}, "retry"),
        ({"DATA": "554 no"}, "refused"),
        ({"DATA": "250 what"}, "retry"),
        ({"DATA": None}, "retry"),
        ({".": "250 ok"}, "sent"),
        ({".": "451 not now"}, "retry"),
        ({".": "552 too large"}, "refused"),
        ({".": "999 what"}, "unknown"),
        ({".": "nonsense"}, "unknown"),
        ({".": None}, "unknown"),
        ({".": ""}, "unknown"),
        ({"QUIT": ""}, "sent"),
        ({"QUIT": None}, "sent"),
    ],
    ids=lambda value: str(value),
)
def test_what_is_certain_after_each_answer(answers: dict[str, str | None], state: str) -> None:
    with Scripted(answers) as server:
        # Only who is to be given up is given little time: this machine may be busy.
        short = {f"{'accepting' if word == '.' else 'timeout'}_seconds": 0.3 for word in answers if answers[word] == ""}
        outcome = CHANNEL.send(MESSAGE, settings_for(server.port, **(short if "QUIT" not in answers else {})))
        again = CHANNEL.send(MESSAGE, settings_for(nobody_listens()))
    assert outcome.state == state, outcome
    assert again == outcome or state == "retry"


def test_a_server_that_is_not_there_is_tried_later() -> None:
    assert CHANNEL.send(MESSAGE, settings_for(nobody_listens())).state == "retry"
    outcome = CHANNEL.send(MESSAGE, settings_for(25, host="no-such-host.invalid", security="tls"))
    assert outcome.state == "retry"
    assert "reached" in outcome.detail


@pytest.mark.parametrize("host", ["169.254.169.254", "fe80::1", "fd00:ec2::254", "64:ff9b::a9fe:a9fe", "0.0.0.0"])
@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_mail_server_is_not_sought_where_machines_are_administered(
    host: str, security: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Link-local (RFC 3927), NAT64 (RFC 6052), metadata services (from memory): refused before a byte is sent."""
    monkeypatch.setattr(socket, "create_connection", lambda *given, **more: pytest.fail("it connected"))
    outcome = CHANNEL.send(MESSAGE, settings_for(25, host=host, security=security))
    assert outcome.state == "retry"
    assert outcome.detail == "The mail server stands at an address that is not reached from here."


def test_the_same_message_is_handed_over_once_even_by_another_process() -> None:
    with mail_server() as (mailbox, settings):
        first = CHANNEL.send(MESSAGE, settings)
        second = MailChannel().send(replace(MESSAGE, body="changed"), settings)
        CHANNEL.send(replace(MESSAGE, id="m-2"), settings)
    assert second == first
    assert len(mailbox.envelopes) == 2


def test_a_message_that_may_be_tried_again_is_not_remembered() -> None:
    assert CHANNEL.send(MESSAGE, settings_for(nobody_listens())).state == "retry"
    with mail_server() as (mailbox, settings):
        assert CHANNEL.send(MESSAGE, settings).state == "sent"
    assert len(mailbox.envelopes) == 1


def test_an_attempt_whose_process_ended_is_not_repeated(directory: Path) -> None:
    with journal.opened() as remembered:
        assert remembered.claim(MESSAGE.id) is None
    with mail_server() as (mailbox, settings):
        assert CHANNEL.send(MESSAGE, settings).state == "unknown"
    assert not mailbox.envelopes


def test_without_a_journal_nothing_is_sent(directory: Path) -> None:
    directory.mkdir()
    (directory / "mail-channel.sqlite3").mkdir()
    with mail_server() as (mailbox, settings):
        assert CHANNEL.send(MESSAGE, settings).state == "retry"
    assert not mailbox.envelopes


def test_the_journal_holds_no_address(directory: Path) -> None:
    with mail_server() as (_, settings):
        CHANNEL.send(MESSAGE, settings)
    with sqlite3.connect(directory / "mail-channel.sqlite3") as database:
        assert "wren" not in str(database.execute("SELECT * FROM handed_over").fetchall())


def test_the_whole_suite_of_the_contract_holds_with_a_server() -> None:
    with mail_server() as (mailbox, settings):
        for check in conformance_checks(plugin, settings=settings):
            check.run()
    assert len(mailbox.envelopes) == 1


@pytest.mark.parametrize(
    "settings",
    [
        {"host": "mail.example.org", "security": "none"},
        {"host": "127.0.0.1.example.org", "security": "none"},
        {"host": "mail.example.org\r\n"},
        {"port": 0},
        {"security": "maybe"},
        {"timeout_seconds": 0},
        {"other": 1},
    ],
)
def test_settings_that_are_not_safe_or_known_are_not_admitted(settings: dict[str, Any]) -> None:
    with pytest.raises(InvalidSettings):
        plugin.manifest.settings_with(settings)


def test_what_is_not_set_up_is_said_and_waits() -> None:
    assert CHANNEL.send(MESSAGE, plugin.manifest.settings_with({})).state == "retry"
    for fault in ({"from_address": "nobody"}, {"bounce_address": "a b@c"}):
        assert CHANNEL.send(MESSAGE, settings_for(nobody_listens(), **fault)).detail.endswith("is not an address.")
    wrong = CHANNEL.send(replace(MESSAGE, reply_to="x\r\n@y"), settings_for(nobody_listens()))
    assert wrong.detail == "The address for answers is not an address."
