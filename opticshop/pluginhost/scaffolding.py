"""Writing a new plugin from one of the skeletons: a distribution that installs, passes its tests and does something."""

from __future__ import annotations

import keyword
import re
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path

from opticshop.plugin_api import ENTRY_POINT_GROUP
from opticshop.plugin_api.manifest import KEBAB_CASE

from .discovery import LONGEST_NAME

SKELETONS = ("calculator", "tolerance", "channel", "ledger", "recall")

_PYPROJECT = """\
[build-system]
requires = ["setuptools>=77"]
build-backend = "setuptools.build_meta"

[project]
name = "{name}"
version = "0.1.0"
description = "{title}: a plugin for opticshop"
readme = "README.md"
requires-python = ">=3.11"
dependencies = ["opticshop"]

[project.entry-points."{group}"]
{name} = "{module}:plugin"

[tool.setuptools.packages.find]
where = ["src"]

[tool.setuptools.package-data]
{module} = ["py.typed"]
"""

_README = """\
# {name}

{title}: a plugin for opticshop ({kind}). It is a working example; replace what it does by what you need.

It may import `opticshop.plugin_api` and `opticshop.optics`, and nothing else of opticshop: the rest may change without
notice, the contract does not.

## Use

```
pip install -e {name}       # beside opticshop, in the same environment
python manage.py plugins check
```

It is active in every branch once it is installed. `PUT /api/v1/plugins/{name}/activation/` switches it off at one
branch, or sets it up there.

## Tests

`pytest {name}/tests` runs the conformance suite of the contract, in one line, and what is tested beside it.
"""


class CannotWrite(ValueError):
    """The plugin cannot be written under this name or in this place."""


def write_plugin(name: str, kind: str, into: Path) -> Path:
    """Write the distribution ``into/name`` and return its folder. Raises CannotWrite, and then writes nothing."""
    module = name.replace("-", "_")
    if not KEBAB_CASE.fullmatch(name) or len(name) > LONGEST_NAME:
        raise CannotWrite(f"{name!r} is not kebab-case with at most {LONGEST_NAME} characters, such as acme-rules")
    if keyword.iskeyword(module) or find_spec(module) is not None:
        raise CannotWrite(f"{module} is already the name of something that can be imported")
    home = into / name
    if home.exists():
        raise CannotWrite(f"{home} is already there")
    words = {
        "name": name,
        "module": module,
        "kind": kind,
        "title": name.replace("-", " ").capitalize(),
        "group": ENTRY_POINT_GROUP,
    }
    texts = {
        "pyproject.toml": _PYPROJECT.format(**words),
        "README.md": _README.format(**words),
        f"src/{module}/__init__.py": _renamed(_skeleton(kind, "plugin"), words),
        f"src/{module}/py.typed": "",
        f"tests/test_{module}.py": _renamed(_own_import_first(_skeleton(kind, "behaviour"), kind), words),
    }
    for path, text in texts.items():
        target = home / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
    return home


def _skeleton(kind: str, part: str) -> str:
    return files(f"{__package__}.skeletons.{kind}").joinpath(f"{part}.py").read_text(encoding="utf-8")


def _own_import_first(text: str, kind: str) -> str:
    """Import the plugin by its own module, in a block before those of opticshop."""
    found = re.search(rf"from opticshop\.pluginhost\.skeletons\.{kind}\.plugin import .*\n", text)
    assert found is not None
    names = found.group().split(" import ", 1)[1]
    rest = text.replace(found.group(), "")
    return rest.replace("from opticshop", f"from skeleton_name import {names}\nfrom opticshop", 1)


def _renamed(text: str, words: dict[str, str]) -> str:
    pascal = "".join(part.capitalize() for part in words["name"].split("-"))
    for old, new in (
        ("skeleton_name", words["module"]),
        ("skeleton-name", words["name"]),
        ("Skeleton Name", words["title"]),
        ("SkeletonName", pascal),
    ):
        text = text.replace(old, new)
    return text
