"""What the documents for whoever runs the service name, exists: commands, modules, variables, queues. Compared with the
code itself; the names in the file for containers with those of the Compose Specification, from memory."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest
import yaml
from django.core.management import get_commands, load_command_class

from opticshop.core import duties

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = [*sorted((ROOT / "docs").glob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "SECURITY.md"]


@cache
def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@cache
def code() -> str:
    """Everything that may read a variable."""
    places = [*ROOT.glob("opticshop/**/*.py"), *ROOT.glob("plugins/**/*.py"), *ROOT.glob("tests/**/*.py")]
    others = [*(ROOT / ".ci").iterdir(), ROOT / "Makefile", ROOT / "Dockerfile", ROOT / "docker-compose.yml"]
    named = [each for each in others if each.is_file()]
    return "\n".join(each.read_text(encoding="utf-8", errors="replace") for each in (*places, *named))


@cache
def options_of(command: str) -> frozenset[str]:
    parser = load_command_class(get_commands()[command], command).create_parser("manage.py", command)
    return frozenset(word for action in parser._actions for word in action.option_strings)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_modules_and_variables_that_a_document_names_exist(document):
    words = text_of(document)
    for command, rest in re.findall(r"\bmanage\.py ([a-z][a-z_]+)([^\n`|]*)", words):
        assert command in get_commands(), command
        for option in re.findall(r"(?<=[ \[])--[a-z][a-z-]*", re.split(r"[#;&)]", rest)[0]):
            assert option in options_of(command), f"{command} {option}"
    for module in re.findall(r"\bpython -m (tests(?:\.\w+)+)", words):
        path = ROOT.joinpath(*module.split("."))
        assert path.with_suffix(".py").is_file() or (path / "__main__.py").is_file(), module
    for target in re.findall(r"`make ([a-z][a-z-]+)", words):
        assert re.search(rf"^\.PHONY:.* {target}\b", text_of(ROOT / "Makefile"), re.M), target
    for variable in re.findall(r"\b(?:OPTICSHOP_[A-Z_]*[A-Z]|DATABASE(?:_REPLICA)?_URL|REDIS_URL)\b", words):
        assert variable.removeprefix("OPTICSHOP") in code(), variable


def test_the_runbook_has_ten_incidents_each_with_what_to_do():
    incidents = re.split(r"^## (?=\d+\. )", text_of(ROOT / "docs" / "runbook.md"), flags=re.M)[1:]
    assert [int(each.split(".")[0]) for each in incidents] == list(range(1, 11))
    for each in incidents:
        for part in ("**Symptom**", "**Check**", "**Act**", "**Afterwards**", "$ "):
            assert part in each, (each.splitlines()[0], part)


def test_the_tables_of_queues_and_duties_are_whole():
    words = text_of(ROOT / "docs" / "running.md")
    rows = dict(re.findall(r"^\| `(\w+)` \| (.+?) \|", words, re.M))
    for each in duties.all_duties():
        area = each.name.split(".")[0]
        assert {f"`{each.name}`", f"`{area}.*`"} & set(re.findall(r"`[^`]+`", rows[each.queue])), each.name
    assert set(duties.QUEUES) <= set(rows)


def test_the_workers_of_the_containers_listen_to_every_queue_once():
    whole = yaml.safe_load(text_of(ROOT / "docker-compose.yml"))
    known = {"build", "image", "command", "environment", "volumes", "healthcheck", "depends_on", "restart", "ports"}
    known |= {"tmpfs", "stop_grace_period"}
    assert set(whole) - {"services", "volumes"} == {"x-app"}
    heard = []
    for name, service in whole["services"].items():
        assert set(service) <= known, name
        assert set(service.get("depends_on", ())) <= set(whole["services"]), name
        for volume in service.get("volumes", ()):
            assert volume.split(":")[0] in whole["volumes"], name
        if "worker" in (command := service.get("command", ())):
            heard += command[command.index("-Q") + 1].split(",")
    assert sorted(heard) == sorted(duties.QUEUES)
    by_hand = re.findall(r"^celery .* -Q (\S+)", text_of(ROOT / "docs" / "running.md"), re.M)
    assert sorted(",".join(by_hand).split(",")) == sorted(duties.QUEUES)
