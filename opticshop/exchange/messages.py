"""What was sent: one resource, or a bundle whose resources name each other. Checked before anything is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from .checking import issues_in
from .issues import Issue, ResourceRefused
from .vocabulary import PATIENT, VISION_PRESCRIPTION

BUNDLE_TYPES = ("transaction", "collection")
MOST_ENTRIES = 100


@dataclass(frozen=True, slots=True)
class Entry:
    path: str
    resource: dict[str, Any]
    full_url: str = ""

    @property
    def kind(self) -> str:
        return str(self.resource["resourceType"])

    @property
    def names(self) -> set[str]:
        """What the others call it."""
        own = self.resource.get("id")
        return {self.full_url, f"{self.kind}/{own}"} if isinstance(own, str) and own else {self.full_url}


@dataclass(frozen=True, slots=True)
class Message:
    entries: tuple[Entry, ...]

    @property
    def prescriptions(self) -> Iterator[Entry]:
        return (entry for entry in self.entries if entry.kind == VISION_PRESCRIPTION)

    def named(self, reference: str) -> Entry | None:
        return next((entry for entry in self.entries if reference and reference in entry.names), None)


def message_of_one(resource: Any) -> Message:
    """A VisionPrescription that stands alone. Raises ResourceRefused with every fault."""
    if not isinstance(resource, dict) or resource.get("resourceType") != VISION_PRESCRIPTION:
        text = f"This is the place of a {VISION_PRESCRIPTION}."
        raise ResourceRefused([Issue("structure", text, f"{VISION_PRESCRIPTION}.resourceType")])
    _refuse(issues_in(resource))
    return Message((Entry(VISION_PRESCRIPTION, resource),))


def message_of_bundle(bundle: Any) -> Message:
    """A patient, its prescribers and prescriptions. Raises ResourceRefused with every fault."""
    _refuse(list(_faults_of(bundle)))
    entries = tuple(
        Entry(f"Bundle.entry[{index}].resource", entry["resource"], entry.get("fullUrl", ""))
        for index, entry in enumerate(bundle["entry"])
    )
    _refuse([issue for entry in entries for issue in issues_in(entry.resource, entry.path)])
    _refuse(list(_faults_of_cast(entries)))
    return Message(entries)


def _faults_of(bundle: Any) -> Iterator[Issue]:
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        yield Issue("structure", "This is the place of a Bundle.", "Bundle.resourceType")
        return
    if bundle.get("type") not in BUNDLE_TYPES:
        yield Issue("not-supported", f"A bundle here is a {' or a '.join(BUNDLE_TYPES)}.", "Bundle.type")
    entries = bundle.get("entry")
    if not isinstance(entries, list) or not 1 <= len(entries) <= MOST_ENTRIES:
        yield Issue("structure", f"A bundle has 1 to {MOST_ENTRIES} entries.", "Bundle.entry")
        return
    for index, entry in enumerate(entries):
        yield from _faults_of_entry(entry, f"Bundle.entry[{index}]")


def _faults_of_entry(entry: Any, path: str) -> Iterator[Issue]:
    if not isinstance(entry, dict) or not isinstance(entry.get("resource"), dict):
        yield Issue("structure", "An entry holds a resource.", path)
        return
    if not isinstance(entry.get("fullUrl", ""), str):
        yield Issue("structure", "fullUrl is a text.", f"{path}.fullUrl")
    request = entry.get("request", {"method": "POST"})
    if not isinstance(request, dict) or request.get("method") != "POST":
        yield Issue("not-supported", "An entry is taken in by POST and no other method.", f"{path}.request")
    elif set(request) - {"method", "url"}:
        text = "No condition is taken: a resource whose identifier is known already is not recorded again."
        yield Issue("not-supported", text, f"{path}.request")


def _faults_of_cast(entries: tuple[Entry, ...]) -> Iterator[Issue]:
    kinds = [entry.kind for entry in entries]
    if VISION_PRESCRIPTION not in kinds:
        yield Issue("required", f"There is no {VISION_PRESCRIPTION} in the bundle.", "Bundle.entry")
    if kinds.count(PATIENT) > 1:
        yield Issue("not-supported", "A bundle is about one patient.", "Bundle.entry")
    seen: set[str] = set()
    for entry in entries:
        if seen & entry.names:
            yield Issue("duplicate", "Another entry goes by the same name.", entry.path)
        seen |= entry.names - {""}


def _refuse(issues: list[Issue]) -> None:
    if issues:
        raise ResourceRefused(issues)
