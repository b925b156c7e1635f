"""A client of HTTP/1.1 that costs little: raw asyncio, connections kept alive."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

_END = b"\r\n\r\n"


class NotAnswered(Exception):
    """The answer was not what was expected; the message has its beginning."""


@dataclass(slots=True)
class Seen:
    """What came of one stretch: seconds of each request, of the whole, and of the server's processors."""

    took: list[float] = field(default_factory=list)
    lasted: float = 0.0
    sent_bytes: int = 0


def message(base: str, path: str, token: str, body: bytes | None, key: str = "") -> bytes:
    """One request as bytes; ``base`` is ``http://host:port``."""
    method = "GET" if body is None else "POST"
    lines = [f"{method} /api/v1{path} HTTP/1.1", f"Host: {base.removeprefix('http://')}", f"Authorization: {token}"]
    lines.append("Accept: application/json")
    if key:
        lines.append(f"Idempotency-Key: {key}")
    if body is not None:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    return "\r\n".join(lines).encode() + _END + (body or b"")


class _Connection(asyncio.Protocol):
    """Sends one message after the other until told to stop."""

    def __init__(self, messages: Sequence[bytes], begin: int, step: int, ends: float, seen: Seen, expect: int) -> None:
        self.messages, self.at, self.step = messages, begin, step
        self.ends, self.seen, self.expect = ends, seen, f" {expect} ".encode()
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.buffer, self.wanted, self.began = b"", -1, 0.0
        self.chunked = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self._send()

    def _send(self) -> None:
        now = time.perf_counter()
        if now >= self.ends:
            self._finish(None)
            return
        self.began = now
        self.transport.write(self.messages[self.at % len(self.messages)])
        self.at += self.step

    def data_received(self, data: bytes) -> None:
        self.buffer = self.buffer + data if self.buffer else data
        if self.wanted < 0:
            place = self.buffer.find(_END)
            if place < 0:
                return
            head = self.buffer[:place].lower()
            if self.expect not in self.buffer[:20]:
                self._finish(NotAnswered(self.buffer[:600].decode(errors="replace")))
                return
            length = head.find(b"\r\ncontent-length:")
            if length < 0:
                self._finish(NotAnswered("no Content-Length: " + head.decode(errors="replace")))
                return
            end = head.find(b"\r\n", length + 2)
            self.wanted = place + 4 + int(head[length + 17 : end if end > 0 else len(head)])
        if len(self.buffer) < self.wanted:
            return
        now = time.perf_counter()
        self.seen.took.append(now - self.began)
        self.seen.sent_bytes += self.wanted
        self.buffer, self.wanted = b"", -1
        self._send()

    def connection_lost(self, error: Exception | None) -> None:
        self._finish(NotAnswered("the connection was closed") if error is None else error)

    def _finish(self, error: Exception | None) -> None:
        if not self.done.done():
            if error is None:
                self.done.set_result(None)
            else:
                self.done.set_exception(error)
            self.transport.close()


async def _loaded(port: int, messages: Sequence[bytes], seconds: float, connections: int, expect: int) -> Seen:
    loop, seen = asyncio.get_running_loop(), Seen()
    began = time.perf_counter()
    ends, made = began + seconds, []
    for number in range(connections):
        _, protocol = await loop.create_connection(
            lambda number=number: _Connection(messages, number, connections, ends, seen, expect), "127.0.0.1", port
        )
        made.append(protocol)
    await asyncio.gather(*(each.done for each in made))
    seen.lasted = time.perf_counter() - began
    return seen


def load(port: int, messages: Sequence[bytes], *, seconds: float, connections: int, expect: int = 200) -> Seen:
    """Send for some seconds by so many connections, each waiting for its answer. Raises NotAnswered."""
    return asyncio.run(_loaded(port, messages, seconds, connections, expect))
