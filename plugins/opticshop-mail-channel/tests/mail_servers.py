"""Mail servers on this machine: a whole one (aiosmtpd), and one that says line by line what it is told to say."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword, Session
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

USER, PASSWORD = "north", "a-secret-of-the-test"


class Mailbox:
    """Keeps what it was given; refuses the recipients that it is told to refuse."""

    def __init__(self, refusals: dict[str, str]) -> None:
        self.refusals = refusals
        self.envelopes: list[Envelope] = []

    async def handle_RCPT(
        self, server: Any, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refusals:
            return self.refusals[address]
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 Ok"

    async def handle_DATA(self, server: Any, session: Session, envelope: Envelope) -> str:
        self.envelopes.append(envelope)
        return "250 2.0.0 Ok: queued as 4F2"


def _admits(server: Any, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
    assert isinstance(data, LoginPassword)
    return AuthResult(success=(data.login, data.password) == (USER.encode(), PASSWORD.encode()), handled=False)


@contextmanager
def mail_server(
    *, refusals: dict[str, str] | None = None, certificate: Path | None = None, security: str = "none"
) -> Iterator[tuple[Mailbox, dict[str, Any]]]:
    """A running server with what it received, and the settings that a branch would have for it."""
    mailbox = Mailbox(refusals or {})
    tls = None
    if certificate is not None:
        tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        tls.load_cert_chain(certificate)
    more: dict[str, Any] = {}
    if security == "starttls":
        more = {"tls_context": tls, "require_starttls": True}
    elif security == "tls":
        more = {"ssl_context": tls}
    if certificate is not None:
        more |= {"authenticator": _admits, "auth_required": True, "auth_require_tls": security == "starttls"}
    controller = Controller(mailbox, hostname="127.0.0.1", port=_free_port(), enable_SMTPUTF8=True, **more)
    controller.start()
    try:
        yield mailbox, settings_for(controller.port, security=security)
    finally:
        controller.stop()


def settings_for(port: int, **more: Any) -> dict[str, Any]:
    return {
        "host": "127.0.0.1",
        "port": port,
        "security": "none",
        "from_address": "north@optician.example",
        "timeout_seconds": 5,
        "accepting_seconds": 5,
        **more,
    }


class Scripted:
    """Answers each command by its first word; "" hangs until the caller gives up, None drops the connection."""

    GREETING = "GREETING"
    END = "."

    def __init__(self, answers: dict[str, str | None]) -> None:
        self.answers: dict[str, str | None] = {
            "GREETING": "220 mail.example",
            "EHLO": "250 mail.example",
            "MAIL": "250 ok",
            "RCPT": "250 ok",
            "DATA": "354 go on",
            ".": "250 ok",
            "QUIT": "221 bye",
            **answers,
        }
        self.heard: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._gave_up = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Scripted:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._gave_up.set()
        self._listener.close()
        self._thread.join(5)

    def _serve(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        with connection, connection.makefile("rb") as lines:
            if not self._answered(connection, self.GREETING):
                return
            in_mail = False
            for line in lines:
                text = line.decode("utf-8").rstrip("\r\n")
                if in_mail and text != ".":
                    continue
                word = "." if in_mail else text.split(" ")[0].split(":")[0].upper()
                self.heard.append(word)
                if not self._answered(connection, word):
                    return
                in_mail = word == "DATA" and str(self.answers["DATA"]).startswith("354")

    def _answered(self, connection: socket.socket, word: str) -> bool:
        answer = self.answers.get(word, "500 what?")
        if answer is None:
            return False
        if answer == "":
            self._gave_up.wait(10)
            return False
        connection.sendall(answer.encode("utf-8") + b"\r\n")
        return True


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def nobody_listens() -> int:
    return _free_port()


def certificate_at(path: Path, *, host: str = "127.0.0.1") -> str:
    """Write a key and a certificate that signs itself; the certificate as PEM."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "mail.example (invented)")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address(host))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    public = certificate.public_bytes(serialization.Encoding.PEM)
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    path.write_bytes(private + public)
    return public.decode()
