"""What a certificate says beside its numbers: a table of data, each with what it rests on.

General words for the wearer's record. What must be stated, kept or reported is a matter of the local law, and licensed
practice comes first; nothing here is a legal statement.
"""

from __future__ import annotations

from opticshop.documents.certificate import Statement

EVERYWHERE: tuple[Statement, ...] = (
    Statement(
        "This pair was made up to the prescription named above from the frame and the lenses named above, and was "
        "inspected as recorded above before it was handed over."
    ),
    Statement(
        "If something is wrong with these spectacles, bring them back with this paper: the lots lead to the maker."
    ),
)
_EU = frozenset("AT BE BG CY CZ DE DK EE ES FI FR GR HR HU IE IT LT LU LV MT NL PL PT RO SE SI SK".split())  # noqa: SIM905
#: jurisdiction -> what is said there about spectacles as medical devices.
DEVICES: dict[str, tuple[Statement, ...]] = {
    "GB": (
        Statement(
            "Frames and spectacle lenses are each class I medical devices; making them up for a person adapts devices "
            "that are made in series and is no custom-made device.",
            "guidance of the optical trade bodies on medical devices, as of 2021; custom-made: from memory",
            "high for the class, medium for the rest",
        ),
    ),
    "EU": (
        Statement(
            "Spectacles are adaptable devices: who makes them up from frame and lenses acts as their distributor.",
            "MDCG guidance as told by an optical trade body",
            "high",
        ),
    ),
}
CLOSING = Statement(
    "General wording. What must be stated, kept and reported follows from local codes; licensed practice comes first."
)


def statements_for(jurisdiction: str) -> tuple[Statement, ...]:
    """The statements of a jurisdiction; where none is held only what holds everywhere."""
    return (*EVERYWHERE, *DEVICES.get("EU" if jurisdiction in _EU else jurisdiction, ()), CLOSING)
