"""What the channel writes, and where it refuses to."""

from __future__ import annotations

import json
import multiprocessing
from dataclasses import replace
from pathlib import Path

import pytest
from opticshop_console_messages import ConsoleChannel, plugin

from opticshop.plugin_api import InvalidSettings, OutboundMessage

MESSAGE = OutboundMessage(
    id="m-1",
    to="",
    subject="Ready to collect",
    body="Line one\nline two, é",
    language="en",
    purpose="service",
    branch_name="North",
)
FILE = {"path": "north.jsonl"}


@pytest.fixture
def directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("OPTICSHOP_MESSAGES_DIR", str(tmp_path / "messages"))
    return tmp_path / "messages"


def lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()


def test_a_message_is_one_line_of_json(directory: Path) -> None:
    outcome = ConsoleChannel().send(MESSAGE, FILE)
    assert outcome.state == "sent"
    assert outcome.provider_reference == "north.jsonl#m-1"
    (line,) = lines(directory / "north.jsonl")
    assert json.loads(line) == MESSAGE.to_dict()


def test_a_line_tells_the_form_and_where_to_unsubscribe_and_answer(directory: Path) -> None:
    url, reply_to = "https://optician.example/u/1", "desk@optician.example"
    message = replace(MESSAGE, form="postcard", unsubscribe_url=url, reply_to=reply_to)
    settings = plugin.manifest.settings_with({**FILE, "form": "postcard"})
    assert (ConsoleChannel().form(settings), ConsoleChannel().form(FILE)) == ("postcard", "long")
    assert ConsoleChannel().send(message, settings).state == "sent"
    record = json.loads(lines(directory / "north.jsonl")[0])
    assert (record["form"], record["unsubscribe_url"], record["reply_to"]) == ("postcard", url, reply_to)


def test_the_same_id_is_written_once_even_after_a_restart(directory: Path) -> None:
    first = ConsoleChannel().send(MESSAGE, FILE)
    second = ConsoleChannel().send(replace(MESSAGE, body="changed"), FILE)
    ConsoleChannel().send(replace(MESSAGE, id="m-2"), FILE)
    assert second == first
    records = [json.loads(line) for line in lines(directory / "north.jsonl")]
    assert [record["id"] for record in records] == ["m-1", "m-2"]
    assert records[0]["body"] == MESSAGE.body


def test_a_line_torn_by_a_crash_does_not_swallow_the_next_message(directory: Path) -> None:
    directory.mkdir()
    (directory / "north.jsonl").write_text('{"id": "m-1", "bo', encoding="utf-8")
    assert ConsoleChannel().send(MESSAGE, FILE).state == "sent"
    assert json.loads(lines(directory / "north.jsonl")[-1])["id"] == "m-1"


@pytest.mark.parametrize("path", ["../north.jsonl", "/etc/north.jsonl", "a/../../north.jsonl", "."])
def test_a_path_out_of_the_directory_is_refused_and_nothing_is_written(directory: Path, path: str) -> None:
    assert ConsoleChannel().send(MESSAGE, {"path": path}).state == "refused"
    assert not directory.exists()
    assert not (directory.parent / "north.jsonl").exists()


def test_a_link_out_of_the_directory_is_refused(directory: Path, tmp_path: Path) -> None:
    directory.mkdir()
    (directory / "link.jsonl").symlink_to(tmp_path / "outside.jsonl")
    assert ConsoleChannel().send(MESSAGE, {"path": "link.jsonl"}).state == "refused"
    assert not (tmp_path / "outside.jsonl").exists()


def test_a_file_that_cannot_be_written_is_tried_again_later(directory: Path) -> None:
    (directory / "north.jsonl").mkdir(parents=True)
    assert ConsoleChannel().send(MESSAGE, FILE).state == "retry"


def test_without_a_path_the_line_goes_to_standard_output_once(capsys: pytest.CaptureFixture[str]) -> None:
    channel = ConsoleChannel()
    assert channel.send(MESSAGE, {"path": None}) == channel.send(MESSAGE, {})
    assert [json.loads(line)["id"] for line in capsys.readouterr().out.splitlines()] == ["m-1"]


def test_two_processes_write_the_same_message_once(directory: Path) -> None:
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_send, args=(MESSAGE,)) for _ in range(2)]
    for process in processes:
        process.start()
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0, 0]
    assert len(lines(directory / "north.jsonl")) == 1


@pytest.mark.parametrize("settings", [{"path": ""}, {"path": 1}, {"file": "north.jsonl"}, {"form": "poem"}])
def test_settings_of_another_shape_are_refused(settings: dict[str, object]) -> None:
    with pytest.raises(InvalidSettings):
        plugin.manifest.settings_with(settings)


def _send(message: OutboundMessage) -> None:
    ConsoleChannel().send(message, FILE)
