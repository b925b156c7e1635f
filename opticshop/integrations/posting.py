"""One POST to an address that was judged before: no second look-up, no redirect, no proxy, bounded in time and size.

It is the standard library's client and not a pooled one because the socket must be ours: from before the TLS handshake
on it is cut when the time is over, however slowly the other side drips its bytes.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
import time
from collections.abc import Mapping
from contextlib import closing, suppress
from dataclasses import dataclass

from .addresses import Destination

CONNECT_SECONDS = 5.0
READ_SECONDS = 10.0
WHOLE_SECONDS = 20.0
MOST_READ = 2000
MOST_ADDRESSES = 3


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a request: a status with the beginning of its body, or why there is none."""

    status: int | None = None
    response: str = ""
    error: str = ""
    retry_after: str = ""
    duration_ms: int = 0

    @property
    def is_welcome(self) -> bool:
        return self.status is not None and 200 <= self.status < 300


class _Pinned(http.client.HTTPConnection):
    """Connects to one of the judged addresses; speaks of, and checks the certificate for, the host that was named."""

    def __init__(self, to: Destination) -> None:
        super().__init__(to.host, to.port, timeout=CONNECT_SECONDS)
        self.default_port = 443 if to.is_secure else 80
        self.to = to
        self.is_cut = False

    def connect(self) -> None:
        self.sock = self._first_that_answers()
        if self.to.is_secure:
            context = ssl.create_default_context()
            self.sock = context.wrap_socket(self.sock, server_hostname=self.to.host, do_handshake_on_connect=False)
            self.sock.do_handshake()
        self.sock.settimeout(READ_SECONDS)

    def _first_that_answers(self) -> socket.socket:
        failure: OSError = OSError("no address")
        for address in self.to.addresses[:MOST_ADDRESSES]:
            try:
                return socket.create_connection((address, self.to.port), CONNECT_SECONDS)
            except OSError as error:
                failure = error
        raise failure

    def heard(self) -> http.client.HTTPResponse:
        """The head of the answer; one that was still coming when the time was over is none."""
        found = self.getresponse()
        if self.is_cut:
            raise TimeoutError(f"no whole answer within {WHOLE_SECONDS:g} s")
        return found

    def cut(self) -> None:
        self.is_cut = True
        with suppress(OSError, AttributeError):
            self.sock.shutdown(socket.SHUT_RDWR)


def post(to: Destination, body: bytes, headers: Mapping[str, str]) -> Answer:
    """Send and hear the answer. Never raises for what the other side does."""
    began = time.monotonic()
    answer = Answer(error="No answer.")
    with closing(_Pinned(to)) as connection:
        alarm = threading.Timer(WHOLE_SECONDS, connection.cut)
        alarm.daemon = True
        alarm.start()
        try:
            connection.request("POST", to.target, body, dict(headers))
            heard = connection.heard()
            answer = Answer(heard.status, _beginning(heard), "", heard.headers.get("Retry-After", ""))
        except (OSError, http.client.HTTPException, ValueError) as error:
            answer = Answer(error=_plain(f"{type(error).__name__}: {error}")[:300])
        finally:
            alarm.cancel()
    took = round((time.monotonic() - began) * 1000)
    return Answer(answer.status, answer.response, answer.error, answer.retry_after, took)


def _beginning(heard: http.client.HTTPResponse) -> str:
    """The beginning of the body; what was said by the status stands, even if the body never ends."""
    read = b""
    with suppress(OSError, http.client.HTTPException, ValueError):
        read = heard.read(MOST_READ)
    return _plain(read.decode(errors="replace"))


def _plain(text: str) -> str:
    """Without what a database cannot hold (NUL) or a terminal would obey; errors may quote what was heard."""
    return "".join(char if char.isprintable() or char in "\n\t" else "\ufffd" for char in text)
