"""A receiver on this machine that answers as a test tells it to, and small words for what tests do again and again."""

from __future__ import annotations

import datetime as dt
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from django.db import transaction
from standardwebhooks import Webhook

from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.integrations import sending
from opticshop.integrations.models import WebhookDelivery, WebhookEndpoint

SYSTEM = system("test")
PAID = "billing.payment_taken"


class _Quiet(ThreadingHTTPServer):
    def handle_error(self, *args: Any) -> None:
        """Whoever is hung up on need not say so."""


class Receiver:
    """``answers`` are given in turn, the last one for ever: a status, or a function of the request handler."""

    def __init__(self) -> None:
        self.answers: list[Any] = [200]
        self.heard: list[tuple[dict[str, str], bytes]] = []
        self.at_once = self.most_at_once = 0
        self.counting = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                with receiver.counting:
                    receiver.at_once += 1
                    receiver.most_at_once = max(receiver.most_at_once, receiver.at_once)
                    answer = receiver.answers.pop(0) if len(receiver.answers) > 1 else receiver.answers[0]
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.heard.append(({name.lower(): value for name, value in self.headers.items()}, body))
                try:
                    if callable(answer):
                        answer(self)
                    else:
                        say(self, answer)
                finally:
                    with receiver.counting:
                        receiver.at_once -= 1

            def log_message(self, *args: Any) -> None: ...

        self.server = _Quiet(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/hooks?for=opticshop"
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for headers, _ in self.heard]

    def verified(self, secret: str) -> list[Any]:
        """Every request that was heard, judged by the reference library; the library reads the real clock."""
        return [Webhook(secret).verify(body, headers) for headers, body in self.heard]


def say(handler: BaseHTTPRequestHandler, status: int, body: bytes = b"", **headers: str) -> None:
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


def happen(branch: Any, event_type: str = PAID, **data: Any) -> OutboxEvent:
    """Something happens in a branch, and is placed in the feed."""
    with transaction.atomic():
        event = outbox.record(
            event_type=event_type,
            subject="payments/1",
            actor=SYSTEM,
            branch_id=getattr(branch, "id", branch),
            data={"payment": "1", **data},
        )
    outbox.deliver_all()
    return event


def later(seconds: float) -> Any:
    return clock.at(clock.now() + dt.timedelta(seconds=seconds))


def send_later(seconds: float) -> int:
    with later(seconds):
        return sending.send_due()


def delivery_of(event: OutboxEvent, endpoint: WebhookEndpoint | None = None) -> WebhookDelivery:
    rows = WebhookDelivery.objects.everywhere("test").filter(entry__event=event)
    return rows.get(endpoint=endpoint) if endpoint else rows.get()
