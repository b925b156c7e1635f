"""Cautions printed with a job: a table of data, each with what it rests on.

They are reminders for people who know the work. Local codes, the makers' data sheets and licensed practice come first.
Where a basis says "from memory" it was not read again for this table; nothing here is a legal statement.
"""

from __future__ import annotations

from dataclasses import dataclass

CLOSING = "Reminders only: local codes, data sheets and licensed practice come first."


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution. ``confidence`` is how sure we are of its basis: high, medium or low."""

    key: str
    where: str
    text: str
    basis: str
    confidence: str


EYE_PROTECTION = Caution(
    "eye_protection",
    "Edging, drilling",
    "Wear eye protection; keep lids closed. Hearing protection where the edger is loud.",
    "HSE guidance on COSHH and noise (Control of Noise at Work 2005), from memory",
    "medium",
)
EXTRACTION = Caution(
    "extraction",
    "Dust and mist",
    "Work wet where possible and extract; some high-index material smells of sulphur. Do not sweep dry.",
    "HSE guidance on COSHH, from memory",
    "medium",
)
HAND_STONE = Caution(
    "hand_stone",
    "Hand stone, drill",
    "Guard in place; no gloves, loose sleeves or loose hair. Chips cut: wrap broken lenses, eye-wash at hand.",
    "PUWER, from memory",
    "medium",
)
HEAT = Caution(
    "heat",
    "Frame heater, bead pan",
    "Burns: test with the hand at a distance, keep liquids away, never leave it on. Check what heat this frame bears.",
    "common practice, from memory",
    "high",
)
SOLVENTS = Caution(
    "solvents",
    "Solvents",
    "Acetone and the like destroy acetate and polycarbonate. Gloves, ventilation, no flames; read the data sheet.",
    "HSE guidance on COSHH, from memory",
    "high",
)
NOT_SAFETY = Caution(
    "not_safety",
    "Not safety spectacles",
    "Do not mark or describe this pair as eye protection for work: that needs certified frame and lens (EN ISO 16321, "
    "ANSI Z87.1).",
    "HSE guidance on personal protective equipment, from memory",
    "high",
)
CHILD = Caution(
    "child",
    "Child's pair",
    "Shatter-resistant material (polycarbonate or a urethane of that kind) is advised, never glass. Smooth every edge.",
    "common teaching of dispensing, from memory",
    "medium",
)
IMPACT = Caution(
    "impact",
    "Impact resistance",
    "One useful eye, or sport: impact-resistant material is advised. In the US every spectacle lens must be impact "
    "resistant.",
    "21 CFR 801.410 with FDA guidance (2010), summary read; else common teaching, from memory",
    "medium",
)

ALWAYS = (EYE_PROTECTION, EXTRACTION, HAND_STONE, HEAT, SOLVENTS, NOT_SAFETY)
TABLE = (*ALWAYS, CHILD, IMPACT)


def cautions_for(*, wearer_is_child: bool = False, impact_matters: bool = False) -> tuple[Caution, ...]:
    """The cautions of a job: those of every job, and those the wearer calls for (one useful eye, sport)."""
    return (*ALWAYS, *((CHILD,) if wearer_is_child else ()), *((IMPACT,) if impact_matters else ()))
