"""Entity tags and the conditions that name them (RFC 9110, 8.8.3, 13.1.1 and 13.1.2). No request, no database.

The tag of what one GET shows is ``"<version>-<digest of the body>"``, or ``"<digest>"`` where the row has no version:
it differs whenever the bytes differ, also where they hang on the clock, on the reader or on another row. What guards a
write is the version in it: ``"<version>"`` alone names that as well, so a client may build it from the body.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any

from django.utils.http import parse_etags

from .errors import VersionMismatch
from .renderers import dumps

#: What ``*`` names: whatever version there is.
ANY = frozenset({"*"})
_WITH_VERSION = re.compile(r'"?([0-9]{1,9})(?:-[0-9a-f]{16})?"?')


def entity_tag(version: int | None, body: Any = None) -> str:
    """The strong tag of a body at a version; without a body that of the version alone."""
    marks = [] if version is None else [str(version)]
    if body is not None:
        marks.append(hashlib.sha256(dumps(body)).hexdigest()[:16])
    return f'"{"-".join(marks)}"'


def is_unchanged(if_none_match: str | None, tag: str) -> bool:
    """Whether If-None-Match names the tag, by weak comparison; ``*`` names every one."""
    named = parse_etags(if_none_match or "")
    return named == ["*"] or tag.removeprefix("W/") in {each.removeprefix("W/") for each in named}


def tags_named(if_match: str) -> frozenset[str]:
    """The strong tags of If-Match, or ANY; a weak one never matches. Raises VersionMismatch where none is left."""
    text = if_match.strip()
    named = frozenset(parse_etags(text)) or (frozenset({f'"{text}"'}) if _WITH_VERSION.fullmatch(text) else frozenset())
    strong = frozenset(each for each in named if not each.startswith("W/"))
    if not strong:
        raise VersionMismatch("If-Match must be the strong ETag you were given.", field="If-Match")
    return strong


def versions_named(if_match: str) -> frozenset[int] | None:
    """The versions that the tags of If-Match name; None for ``*``. Raises VersionMismatch where there is none."""
    strong = tags_named(if_match)
    if strong == ANY:
        return None
    found = frozenset(int(match[1]) for match in map(_WITH_VERSION.fullmatch, strong) if match)
    if not found:
        raise VersionMismatch("If-Match must be the strong ETag you were given.", field="If-Match")
    return found
