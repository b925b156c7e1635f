"""Gateways on this machine: one that speaks HTTP, and one that does as it is told with the bare connection."""

from __future__ import annotations

import json
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

Reply = tuple[int, dict[str, str], bytes]


class Taken:
    """What the gateway was posted."""

    def __init__(self) -> None:
        self.requests: list[tuple[str, dict[str, str], bytes]] = []

    @property
    def one(self) -> tuple[str, dict[str, str], bytes]:
        [request] = self.requests
        return request


@contextmanager
def gateway(
    reply: Reply | Callable[[dict[str, str], bytes], Reply], certificate: Path | None = None
) -> Iterator[tuple[str, Taken]]:
    """A gateway that gives this reply to every request; its address, and what it took."""
    taken = Taken()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            taken.requests.append((self.path, headers, body))
            status, more, answer = reply(headers, body) if callable(reply) else reply
            self.send_response(status)
            for name, value in {"Content-Length": str(len(answer)), **more}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.handle_error = lambda *_: None  # type: ignore[method-assign]  # a caller that hangs up is expected
    scheme = "http"
    if certificate is not None:
        tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        tls.load_cert_chain(certificate)
        server.socket = tls.wrap_socket(server.socket, server_side=True)
        scheme = "https"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield f"{scheme}://127.0.0.1:{server.server_port}/messages?shop=1", taken
    finally:
        server.shutdown()
        server.server_close()


def answer(status: int, said: Any = None, **headers: str) -> Reply:
    return status, {name.replace("_", "-"): value for name, value in headers.items()}, json.dumps(said or {}).encode()


@contextmanager
def bare(behave: Callable[[socket.socket], None]) -> Iterator[str]:
    """A listener that hands the first connection to `behave` and then closes it; its address."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        try:
            connection, _ = listener.accept()
        except OSError:
            return
        with connection:
            try:
                behave(connection)
            except OSError:
                return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}/"
    finally:
        listener.close()
        thread.join(3)


def heard_whole(connection: socket.socket) -> None:
    """Read the request to its end."""
    heard = b""
    while not heard.endswith(b"}"):
        heard += connection.recv(65536)


def dripping(connection: socket.socket) -> None:
    heard_whole(connection)
    connection.sendall(b"HTTP/1.1 200 OK\r\nX-Slow: ")
    for _ in range(100):
        connection.sendall(b"a")
        time.sleep(0.05)


def certificate_at(path: Path) -> str:
    """Write a key and a certificate that signs itself; the certificate as PEM."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "texts.example (invented)")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    public = certificate.public_bytes(serialization.Encoding.PEM)
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    path.write_bytes(private + public)
    return public.decode()
