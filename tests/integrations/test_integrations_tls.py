"""HTTPS to the address that was judged, with the certificate of the host that was named. Certificates made here."""

from __future__ import annotations

import datetime as dt
import ipaddress
import socket
import ssl
import threading
import time

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from opticshop.integrations import addresses, posting
from opticshop.integrations.addresses import destination

from .receiving import Receiver


def certificate(path, *names):
    """A certificate for the names, signed by itself, with its key, in one file."""
    key, now = ec.generate_private_key(ec.SECP256R1()), dt.datetime.now(dt.UTC)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "books (invented)")])
    builder = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    path.write_bytes(private + builder.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
    return path


@pytest.fixture
def secure(settings, tmp_path, monkeypatch):
    """``secure(name)`` is a receiver with a certificate for that name, which this machine trusts."""
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = True
    monkeypatch.setattr(addresses, "resolved", lambda host, port: ["127.0.0.1"])
    started = []

    def serving(name, trusted=True):
        path = certificate(tmp_path / "server.pem", name)
        monkeypatch.setenv("SSL_CERT_FILE", str(path if trusted else certificate(tmp_path / "other.pem", name)))
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(path)
        found = Receiver()
        found.named = []
        context.sni_callback = lambda sock, asked, context: found.named.append(asked)
        found.server.socket = context.wrap_socket(found.server.socket, server_side=True)
        started.append(found)
        return found

    yield serving
    for each in started:
        each.server.shutdown()
        each.server.server_close()


def post(receiver, host):
    return posting.post(destination(f"https://{host}:{receiver.server.server_address[1]}/hooks"), b"{}", {})


def test_the_host_is_named_and_its_certificate_checked(secure):
    receiver = secure(x509.DNSName("books.example.org"))
    answer = post(receiver, "books.example.org")
    assert (answer.status, answer.error) == (200, "")
    assert receiver.named == ["books.example.org"]
    assert receiver.heard[0][0]["host"].startswith("books.example.org:")


def test_an_address_without_a_name_needs_a_certificate_for_it(secure):
    receiver = secure(x509.IPAddress(ipaddress.ip_address("127.0.0.1")))
    assert post(receiver, "127.0.0.1").status == 200


@pytest.mark.parametrize(
    ("name", "trusted"),
    [
        (x509.DNSName("other.example.org"), True),
        (x509.IPAddress(ipaddress.ip_address("127.0.0.1")), True),
        (x509.DNSName("books.example.org"), False),
    ],
)
def test_a_certificate_for_another_or_from_nobody_is_refused(secure, name, trusted):
    receiver = secure(name, trusted)
    answer = post(receiver, "books.example.org")
    assert answer.status is None
    assert "CERTIFICATE_VERIFY_FAILED" in answer.error
    assert not receiver.heard


def test_a_handshake_that_never_ends_is_cut(settings, monkeypatch):
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = True
    monkeypatch.setattr(posting, "WHOLE_SECONDS", 0.5)
    listener = socket.create_server(("127.0.0.1", 0))

    def drip():
        peer, _ = listener.accept()
        try:
            peer.sendall(b"\x16\x03\x03\x40\x00")
            for _ in range(200):
                time.sleep(0.05)
                peer.sendall(b"\x00")
        except OSError:
            peer.close()

    threading.Thread(target=drip, daemon=True).start()
    began = time.monotonic()
    answer = posting.post(destination(f"https://127.0.0.1:{listener.getsockname()[1]}/"), b"{}", {})
    listener.close()
    assert answer.status is None
    assert time.monotonic() - began < 5  # the dripping alone takes ten


def test_no_proxy_is_asked(settings, monkeypatch):
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = True
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")
    receiver = Receiver()
    assert posting.post(destination(receiver.url), b"{}", {}).status == 200
    receiver.server.shutdown()
    receiver.server.server_close()
