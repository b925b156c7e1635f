"""A carrier of text messages that misbehaves. It speaks what the text gateway plugin of the service speaks.

It keeps what it has accepted: by idempotency key (draft httpapi-idempotency-key-header of the IETF, from memory) and
by address. What it answers is drawn from a seeded series, so a run can be had again.
"""

from __future__ import annotations

import json
import random
import socket
import threading
import time
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

PATIENCE_SECONDS = 0.7
#: What the carrier does, in parts of a thousand; the rest is accepted and answered.
MISBEHAVIOUR = {
    "answers 500": 20,
    "answers 429": 10,
    "accepts, says nothing": 4,
    "says nothing": 3,
    "accepts, hangs up": 10,
    "hangs up": 5,
    "refuses": 5,
}


class Carrier:
    def __init__(self, seed: int = 7) -> None:
        self.lock = threading.Lock()
        self.draw = random.Random(seed)
        self.accepted: dict[str, tuple[str, str]] = {}  # key -> (address, text)
        self.did: Counter[str] = Counter()
        self.repeated: Counter[str] = Counter()  # calls with a key that had been accepted before
        self.refused: set[str] = set()
        self.behaves = False
        carrier = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            timeout = 30

            def do_POST(self) -> None:
                carrier.answer(self, json.loads(self.rfile.read(int(self.headers["Content-Length"]))))

            def log_message(self, *args: Any) -> None: ...

        self.handler = Handler
        self.port = 0
        self.open()

    def open(self) -> None:
        self.server = _Server(("127.0.0.1", self.port), self.handler)
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def shut(self) -> None:
        """Nobody is there: connections are refused."""
        self.server.shutdown()
        self.server.server_close()

    def answer(self, handler: BaseHTTPRequestHandler, told: dict[str, str]) -> None:
        key = handler.headers["Idempotency-Key"]
        with self.lock:
            act = self._act(key)
            self.did[act] += 1
            if key in self.accepted:
                self.repeated[key] += 1
            elif act.startswith("accepts"):
                self.accepted[key] = (told["to"], told["text"])
            elif act == "refuses":
                self.refused.add(key)
        if act.endswith("says nothing"):
            time.sleep(2 * PATIENCE_SECONDS)
        if act.endswith(("says nothing", "hangs up")):
            handler.close_connection = True
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        status = {"answers 500": 500, "answers 429": 429, "refuses": 422}.get(act, 200)
        said = {"id": f"carrier-{key}"} if status == 200 else {"accepted": False, "detail": act}
        body = json.dumps(said).encode()
        handler.send_response(status)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    def _act(self, key: str) -> str:
        if key in self.refused:
            return "refuses"
        if not self.behaves:
            drawn = self.draw.randrange(1000)
            for act, share in MISBEHAVIOUR.items():
                if drawn < share:
                    return act
                drawn -= share
        return "accepts"


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128

    def handle_error(self, *args: Any) -> None:
        """Whoever was killed while it spoke need not say so."""
