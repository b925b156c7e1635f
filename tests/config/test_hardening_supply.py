"""What we depend on: the judgement over a report of pip-audit, the list of components, and where to report to."""

from __future__ import annotations

import datetime as dt
import importlib.util
import json
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TODAY = dt.date(2026, 3, 2)


def script(name):
    import sys

    spec = importlib.util.spec_from_file_location(f"ci_{name}", ROOT / ".ci" / f"{name}.py")
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def audit():
    return script("audit")


#: As pip-audit 2.10 writes it.
REPORT = json.dumps(
    {
        "dependencies": [
            {"name": "sound", "version": "1.0", "vulns": []},
            {"name": "unknown", "skip_reason": "not found"},
            {
                "name": "weak",
                "version": "1.0",
                "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["1.1"], "description": ""}],
            },
        ],
        "fixes": [],
    }
)


def allowance(**more):
    return {"id": "CVE-1", "until": TODAY, "reason": "not reached", **more}


@pytest.mark.parametrize(
    ("allowed", "words"),
    [
        ([], "weak 1.0: PYSEC-1; mended in 1.1"),
        ([allowance(until=TODAY - dt.timedelta(days=1))], "was allowed until 2026-03-01"),
        ([allowance(), allowance(id="CVE-2")], "CVE-2: is not found any more"),
        ([allowance(reason="")], "say until which day"),
    ],
)
def test_a_weakness_is_told_unless_it_is_allowed_until_a_day_for_a_reason(audit, allowed, words):
    problems = audit.judged(audit.known_weaknesses(REPORT), allowed, TODAY)
    assert words in "\n".join(problems)
    assert audit.judged(audit.known_weaknesses(REPORT), [allowance()], TODAY) == []


def test_a_service_that_knows_nothing_has_not_audited(audit, monkeypatch, capsys):
    """pip-audit 2.10 skips what the service does not know and ends with 0: seen with a mirror of packages only."""
    silent = json.dumps({"dependencies": [{"name": "a", "skip_reason": "x"}, {"name": "b", "skip_reason": "x"}]})
    for output in (silent, "", "no network"):
        done = type("Done", (), {"stdout": output})
        monkeypatch.setattr(audit.subprocess, "run", lambda *args, done=done, **kwargs: done)
        assert audit.main() == 0
        assert "not audited" in capsys.readouterr().out


def test_the_allow_list_is_readable():
    tomllib.loads((ROOT / ".ci" / "audit-allowed.toml").read_text())


def test_every_dependency_of_production_is_listed_with_its_licence():
    listed = dict(re.findall(r"^\| ([a-z0-9-]+) \| (.+) \|$", (ROOT / "docs" / "dependencies.md").read_text(), re.M))
    texts = [(ROOT / "requirements" / name).read_text() for name in ("base.txt", "tracing.txt")]
    pinned = re.findall(r"^([A-Za-z0-9._-]+)==[^;\n]*$", "\n".join(texts), re.M)
    assert len(set(pinned)) > 60
    assert "opentelemetry-sdk" in pinned
    assert {re.sub(r"[-_.]+", "-", name).lower() for name in pinned} <= set(listed)


def test_the_list_of_components_leaves_out_what_only_tests_need_and_no_place_of_this_machine():
    sbom = script("sbom")
    whole = {
        "metadata": {"component": {"bom-ref": "root"}},
        "components": [
            {"name": "Django", "bom-ref": "django"},
            {"name": "pytest", "bom-ref": "pytest"},
            {"name": "opticshop_ansi_z80", "bom-ref": "z80", "externalReferences": [{"url": "file:///somewhere"}]},
        ],
        "dependencies": [{"ref": "root", "dependsOn": ["django", "pytest"]}, {"ref": "pytest"}, {"ref": "django"}],
    }
    found = sbom.reduced(whole, {"django", "opticshop-ansi-z80"})
    assert [each["name"] for each in found["components"]] == ["Django", "opticshop_ansi_z80"]
    assert found["dependencies"] == [{"ref": "root", "dependsOn": ["django"]}, {"ref": "django"}]
    assert "somewhere" not in str(found)


def test_the_security_policy_says_how_to_report_and_names_no_real_address():
    words = (ROOT / "SECURITY.md").read_text()
    for part in ("How to report", "Supported versions", "What is promised", "example.org"):
        assert part in words
