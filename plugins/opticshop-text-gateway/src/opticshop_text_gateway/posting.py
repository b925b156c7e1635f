"""One POST to the gateway: what came back, or at which point it broke off."""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

from opticshop.plugin_api import AddressNotAllowed, connected

LONGEST_ANSWER = 64 * 1024


class NotWritten(Exception):
    """The gateway has not got the whole request, so it cannot have acted on it. The text says why."""


class NoAnswer(Exception):
    """The whole request was written, and then nothing came that can be understood."""


@dataclass(frozen=True, slots=True)
class Answer:
    """`body` is cut at `LONGEST_ANSWER`; `retry_after` as the gateway wrote it, None where it did not."""

    status: int
    body: bytes
    retry_after: str | None


def post(url: str, headers: Mapping[str, str], body: bytes, *, seconds: float, ca_certificate: str = "") -> Answer:
    """POST once, without following redirects. Raises `NotWritten`, `NoAnswer`."""
    parts = urlsplit(url)
    try:
        port = parts.port or (80 if parts.scheme == "http" else 443)
        connection = _connection(parts.scheme, parts.hostname or "", port, seconds, ca_certificate)
        connection.connect()
    except AddressNotAllowed:
        raise NotWritten("The gateway stands at an address that is not reached from here.") from None
    except ssl.SSLCertVerificationError as error:
        raise NotWritten(f"The certificate of the gateway is not trusted: {error.verify_message}.") from None
    except TimeoutError:
        raise NotWritten(f"The gateway did not answer within {seconds:g} s.") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or type(error).__name__
        raise NotWritten(f"The gateway cannot be reached: {why}.") from None
    try:
        target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        try:
            connection.request("POST", target, body=body, headers=dict(headers))
        except (OSError, http.client.HTTPException):
            raise NotWritten("The gateway closed the connection before it had the message.") from None
        with _hung_up_after(seconds, connection):
            return _answer(connection)
    finally:
        connection.close()


class _Plain(http.client.HTTPConnection):
    """Connects to an address that was judged; the certificate is checked for the host that was named."""

    def connect(self) -> None:
        self.sock = connected(self.host, self.port, self.timeout)


class _Encrypted(http.client.HTTPSConnection, _Plain):
    """The same under TLS."""


def _connection(scheme: str, host: str, port: int, seconds: float, ca_certificate: str) -> http.client.HTTPConnection:
    if scheme == "http":
        return _Plain(host, port, timeout=seconds)
    context = ssl.create_default_context(cadata=ca_certificate or None)
    return _Encrypted(host, port, timeout=seconds, context=context)


def _answer(connection: http.client.HTTPConnection) -> Answer:
    try:
        response = connection.getresponse()
    except (OSError, http.client.HTTPException, ValueError):
        raise NoAnswer("The gateway was given the message and did not answer.") from None
    body = b""
    with suppress(OSError, http.client.HTTPException, ValueError):
        body = response.read(LONGEST_ANSWER)
    return Answer(response.status, body, response.getheader("Retry-After"))


@contextmanager
def _hung_up_after(seconds: float, connection: http.client.HTTPConnection) -> Iterator[None]:
    """A time limit on the whole answer: a gateway that sends one byte a second is not waited for for ever."""
    line = connection.sock

    def hang_up() -> None:
        with suppress(OSError):
            socket.socket.shutdown(line, socket.SHUT_RDWR)  # below TLS, which another thread is reading

    timer = threading.Timer(seconds, hang_up)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
