"""``make sbom``: var/sbom.json (CycloneDX 1.6), the list of all that runs in production, and docs/dependencies.md.

The same environment gives the same bytes. Left out is what only tests and tools need.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
_PINNED = re.compile(r"^([A-Za-z0-9._-]+)==", re.MULTILINE)
_HEAD = """# What we depend on

Written by `make sbom`; versions and hashes are in `requirements/base.txt` and, with the extra `tracing`, in
`requirements/tracing.txt`; all details in `var/sbom.json`. Licences as the packages themselves state them; somebody who
redistributes reads the texts that come with them.

"""
_ROWS = "| package | licence |\n|---|---|\n"
_EXTRA = "\n## Only with the extra `tracing`\n\n"


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned_in(name: str) -> set[str]:
    return {plain(each) for each in _PINNED.findall((ROOT / "requirements" / name).read_text())}


def wanted() -> set[str]:
    """Names of what production needs: the pinned packages, also those of the extra, and our own plugins."""
    pinned = pinned_in("base.txt") | pinned_in("tracing.txt")
    return {plain(name) for name in (*pinned, *(each.name for each in (ROOT / "plugins").iterdir() if each.is_dir()))}


def environment() -> dict[str, Any]:
    command = [sys.executable, "-m", "cyclonedx_py", "environment", sys.executable, "--output-reproducible"]
    command += ["--pyproject", str(ROOT / "pyproject.toml"), "--of", "JSON", "-o", "-"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def reduced(whole: dict[str, Any], names: set[str]) -> dict[str, Any]:
    """The list without what is not wanted, nor references to it, nor places on the machine that wrote it."""
    kept = [each for each in whole["components"] if plain(each["name"]) in names]
    for each in kept:
        if plain(each["name"]).startswith("opticshop-"):
            each.pop("externalReferences", None)
    known = {each["bom-ref"] for each in kept} | {whole["metadata"]["component"]["bom-ref"]}
    links = [
        {**each, **({"dependsOn": on} if (on := [one for one in each.get("dependsOn", ()) if one in known]) else {})}
        for each in whole.get("dependencies", ())
        if each["ref"] in known
    ]
    for each in links:
        if not set(each.get("dependsOn", ())) <= known:
            each.pop("dependsOn")
    return {**whole, "components": kept, "dependencies": links}


def licence_of(component: dict[str, Any]) -> str:
    said = []
    for each in component.get("licenses", ()):
        one = each.get("license", {})
        said.append(each.get("expression") or one.get("id") or one.get("name", ""))
    words = [" ".join(text.split()).removeprefix("License :: OSI Approved :: ") for text in said if text]
    short = [text for text in words if len(text) <= 60]
    return "; ".join(dict.fromkeys(short)) or "see its files"


def table(components: list[dict[str, Any]]) -> str:
    """The packages of every installation, then those that only the extra brings."""
    extra = pinned_in("tracing.txt") - pinned_in("base.txt")
    rows = sorted((plain(each["name"]), licence_of(each)) for each in components)
    always, with_extra = (
        "".join(f"| {name} | {licence} |\n" for name, licence in rows if (name in extra) is is_extra)
        for is_extra in (False, True)
    )
    return _HEAD + _ROWS + always + (_EXTRA + _ROWS + with_extra if with_extra else "")


def main() -> None:
    found = reduced(environment(), wanted())
    (ROOT / "var").mkdir(exist_ok=True)
    (ROOT / "var" / "sbom.json").write_text(json.dumps(found, indent=1, sort_keys=True) + "\n")
    (ROOT / "docs" / "dependencies.md").write_text(table(found["components"]))
    print(f"var/sbom.json: {len(found['components'])} components")


if __name__ == "__main__":
    main()
