"""To whom a pair may only be handed over under supervision: a table of rules by jurisdiction, each with its source.

Not legal advice; local law and licensed practice come first. A jurisdiction without a row has no rule here, which is
not the same as having none.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RestrictedSupply:
    """Who is restricted: wearers below an age on the day of supply, and people registered sight impaired."""

    jurisdiction: str
    below_age: int
    sight_impaired: bool
    words: str
    source: str
    confidence: str


RULES: dict[str, RestrictedSupply] = {
    rule.jurisdiction: rule
    for rule in (
        RestrictedSupply(
            jurisdiction="GB",
            below_age=16,
            sight_impaired=True,
            words="Fitting at collection is supervised by a registrant who is on the premises and able to intervene.",
            source="Opticians Act 1989 s.27; Sale of Optical Appliances Order of Council 1984; General Optical Council "
            "standard 9 and ABDO advice C4.6.4 on supervision. Age on the day of supply: own reading of s.27",
            confidence="who is restricted: high; which day counts: medium",
        ),
    )
}


def restriction(
    *, jurisdiction: str, age_on_day: int | None, is_sight_impaired: bool
) -> tuple[RestrictedSupply, str] | None:
    """The rule that restricts this supply and why, or None. A wearer whose age is not known counts as too young."""
    rule = RULES.get(jurisdiction)
    if rule is None:
        return None
    if is_sight_impaired and rule.sight_impaired:
        return rule, "The wearer is registered sight impaired."
    if age_on_day is None:
        return rule, "The wearer's birth date is not recorded."
    if age_on_day < rule.below_age:
        return rule, f"The wearer is under {rule.below_age}."
    return None
