"""The version of the plugin contract, which moves apart from the version of the service.

A minor step adds things (a hook, an optional parameter, an optional field at the end of a dataclass); a major
step takes things away, after a `DeprecationWarning` in at least two minor versions.
"""

from __future__ import annotations

from packaging.specifiers import SpecifierSet

API_VERSION = "1.3"
"""1.1: messages know their form and where to unsubscribe; channels may batch and be called by their carrier.
1.2: `connected`, which judges the addresses of a host before it connects.
1.3: messages may have attachments, for channels that carry files."""

ENTRY_POINT_GROUP = "opticshop.plugins"
"""Each entry point of this group names an object that has a `manifest` and hook implementations."""


def admits_this_api(specifier: str) -> bool:
    """Whether a manifest's `api` specifier, such as ">=1.0,<2", admits `API_VERSION`.

    Raises `packaging.specifiers.InvalidSpecifier` for text that is no specifier.
    """
    return SpecifierSet(specifier).contains(API_VERSION, prereleases=True)
