"""Intervals as data. Minimum intervals for routine claims and for guidance; clinical need decides in each
case.
"""

from __future__ import annotations

from dataclasses import dataclass, field

FLAGS = frozenset(
    (
        "binocular_anomaly",
        "corrected_refractive_error",
        "rapidly_progressing_myopia",
        "family_history_of_glaucoma",
        "ocular_hypertension_unmonitored",
        "diabetes",
        "diabetic_retinal_screening",
    )
)


@dataclass(frozen=True, slots=True)
class IntervalRule:
    """One row: applies from `age_from` to below `age_below` (years) with any of `any_of` (empty: always),
    unless one of `unless` is there.
    """

    months: int
    words: str
    age_from: int = 0
    age_below: int | None = None
    any_of: frozenset[str] = field(default_factory=frozenset)
    unless: frozenset[str] = field(default_factory=frozenset)

    def applies(self, age: int | None, flags: frozenset[str]) -> bool:
        """Whether the row applies at this age; at an unknown age, whether it could."""
        if age is not None and not (self.age_from <= age and (self.age_below is None or age < self.age_below)):
            return False
        return (not self.any_of or bool(self.any_of & flags)) and not self.unless & flags


@dataclass(frozen=True, slots=True)
class IntervalTable:
    """Rows of one source. `edition` is the year of the table or what is known of its date."""

    source: str
    edition: str
    rules: tuple[IntervalRule, ...]


_CHILDREN = (
    IntervalRule(12, "under 16", age_below=16),
    IntervalRule(
        6,
        "under 7 with a binocular anomaly or a corrected refractive error",
        age_below=7,
        any_of=frozenset(("binocular_anomaly", "corrected_refractive_error")),
    ),
    IntervalRule(
        6,
        "7 to under 16 with a binocular anomaly or rapidly progressing myopia",
        age_from=7,
        age_below=16,
        any_of=frozenset(("binocular_anomaly", "rapidly_progressing_myopia")),
    ),
)
_GLAUCOMA = IntervalRule(
    12,
    "40 and over with a family history of glaucoma",
    age_from=40,
    any_of=frozenset(("family_history_of_glaucoma",)),
)
_OCULAR_HYPERTENSION = IntervalRule(
    12, "ocular hypertension that is not monitored", any_of=frozenset(("ocular_hypertension_unmonitored",))
)

MOU_2002 = IntervalTable(
    source="Memorandum of understanding on sight-test intervals (England and Wales)",
    edition="2002",
    rules=(
        *_CHILDREN,
        IntervalRule(24, "16 to under 70", age_from=16, age_below=70),
        IntervalRule(12, "70 and over", age_from=70),
        _GLAUCOMA,
        _OCULAR_HYPERTENSION,
        IntervalRule(12, "diabetes", any_of=frozenset(("diabetes",))),
    ),
)

COLLEGE = IntervalTable(
    source="College of Optometrists guidance on the frequency of examination (rows that it does not give "
    "differently are those of the 2002 memorandum)",
    edition="as looked up, undated",
    rules=(
        *_CHILDREN,
        IntervalRule(24, "16 and over", age_from=16),
        _GLAUCOMA,
        _OCULAR_HYPERTENSION,
        IntervalRule(
            12,
            "diabetes without retinal screening",
            any_of=frozenset(("diabetes",)),
            unless=frozenset(("diabetic_retinal_screening",)),
        ),
        IntervalRule(24, "diabetes with retinal screening", any_of=frozenset(("diabetic_retinal_screening",))),
    ),
)
