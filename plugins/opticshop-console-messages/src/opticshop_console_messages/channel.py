"""The channel."""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path

from opticshop.plugin_api import MessageChannel, MessageForm, OutboundMessage, SendOutcome, Settings

from .locking import locked

DIRECTORY_VARIABLE = "OPTICSHOP_MESSAGES_DIR"
DEFAULT_DIRECTORY = Path("var") / "messages"


class ConsoleChannel(MessageChannel):
    """One line of JSON for each message; the same id is written once."""

    name = "console"
    title = "Console"
    kind = "console"
    needs = None

    def __init__(self) -> None:
        self._printed: set[str] = set()
        self._lock = threading.Lock()

    def form(self, settings: Settings) -> MessageForm:
        form: MessageForm = settings.get("form", "long")
        return form

    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """`sent` once the line is written; `retry` when the file cannot be written; `refused` for a bad
        path.
        """
        name = settings.get("path")
        with self._lock:
            if name is None:
                self._print(message)
                return SendOutcome(state="sent", provider_reference=f"stdout#{message.id}")
            directory = Path(os.environ.get(DIRECTORY_VARIABLE, DEFAULT_DIRECTORY)).resolve()
            path = (directory / name).resolve()
            if not path.is_relative_to(directory) or path == directory:
                return SendOutcome(state="refused", detail="The path leads out of the messages directory.")
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                _append_once(path, message)
            except OSError as error:
                return SendOutcome(state="retry", detail=f"The file cannot be written: {error.strerror}.")
            return SendOutcome(state="sent", provider_reference=f"{name}#{message.id}")

    def _print(self, message: OutboundMessage) -> None:
        if message.id not in self._printed:
            sys.stdout.write(_line(message))
            sys.stdout.flush()
            self._printed.add(message.id)


def _line(message: OutboundMessage) -> str:
    return json.dumps(message.to_dict(), ensure_ascii=False, sort_keys=True) + "\n"


def _append_once(path: Path, message: OutboundMessage) -> None:
    """Append the message unless its id is in the file. A torn last line, left by a crash, is closed first."""
    with path.open("a+", encoding="utf-8", newline="\n") as file, locked(file):
        file.seek(0)
        text = file.read()
        if message.id in _ids(text):
            return
        file.write(("" if not text or text.endswith("\n") else "\n") + _line(message))
        file.flush()
        os.fsync(file.fileno())


def _ids(text: str) -> set[str]:
    found = set()
    for line in text.splitlines():
        try:
            record = json.loads(line)
        except ValueError:
            continue
        if isinstance(record, dict):
            found.add(str(record.get("id")))
    return found
