"""The rule: two supplies in one pair of spectacles (HMRC-V, HMRC-L), when dispensing is a registered person's work."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from opticshop.plugin_api import (
    NO_SETTINGS,
    ONCE_PER_RATE,
    Confidence,
    Refusal,
    Settings,
    TaxAssessment,
    TaxBasket,
    TaxCut,
    TaxedKind,
    TaxLine,
    TaxRule,
    in_force,
    shared_out,
    taxed_once_per_rate,
)

from .facts import APPORTIONED, DEFAULTS

_ZERO = Decimal(0)
_PAIR = ("frame", "lens", "treatment", "dispensing")
"""What a single price for a pair is made of; accessories and other work are never divided."""


class MixedSupply(TaxRule):
    """Goods at the rate in force, dispensing exempt; all of it taxed where no registered person answers for it.

    Other work (a sight test, a repair) is taxed or exempt as the catalogue marks it.
    """

    name = "mixed-supply"
    title = "Taxed goods, exempt dispensing"

    def assess(self, basket: TaxBasket, settings: Settings = NO_SETTINGS) -> TaxAssessment:
        """Raises `Refusal` on a day for which no rate, or for a method that divides no ratio, is set."""
        facts = {**DEFAULTS, **settings}
        found = in_force(facts["rates"], basket.day)
        if found is None:
            raise Refusal("opticshop-tax-mixed-supply.no-rate", f"No rate is set for {basket.day}.")
        rate, reason, notes = Decimal(str(found["percent"])), facts["exemption_reason"], facts["notes"]
        source = f"{found['source']}; HMRC-L on who must supervise"
        if not _is_exempt(basket, facts):
            shares = [_ZERO for _ in basket.lines]
            note = notes["taxed_whole"]
        elif facts["method"] == APPORTIONED:
            ratio = in_force(facts["ratios"], basket.day)
            if ratio is None:
                raise Refusal("opticshop-tax-mixed-supply.no-ratio", f"No ratio is set for {basket.day}.")
            percent = Decimal(str(ratio["exempt_percent"]))
            shares = _apportioned(basket, percent)
            note = notes["apportioned"].replace("{percent}", f"{percent.normalize():f}")
            source += f"; HMRC-V on apportionment; ratio from {ratio['valid_from']}: {ratio['evidence']}"
        else:
            shares = [line.price if line.kind == "dispensing" else _ZERO for line in basket.lines]
            note = notes["separate"]
            source += "; HMRC-V on separately disclosed charges"
        cuts = [_cuts(line, share, rate, reason) for line, share in zip(basket.lines, shares, strict=True)]
        return TaxAssessment(
            lines=taxed_once_per_rate(basket, cuts),
            rounding=ONCE_PER_RATE,
            note=note,
            source=source,
            confidence=Confidence(found["confidence"]),
        )


def _is_exempt(basket: TaxBasket, facts: Settings) -> bool:
    """Whether a registered business or person answers for dispensing. What is not known counts as no."""
    if facts["registered_business"] or basket.supervised:
        return True
    return basket.supervised is None and bool(facts["always_supervised"])


def _apportioned(basket: TaxBasket, percent: Decimal) -> list[Decimal]:
    """The exempt share of each line: the ratio of the pair's whole price, rounded once and shared among its lines."""
    shares = [_ZERO for _ in basket.lines]
    pair = [at for at, line in enumerate(basket.lines) if line.kind in _PAIR]
    prices = [basket.lines[at].price for at in pair]
    exempt = (sum(prices, _ZERO) * percent / 100).quantize(basket.minor_unit, rounding=ROUND_HALF_UP)
    for at, share in zip(pair, shared_out(exempt, prices, basket.minor_unit), strict=True):
        shares[at] = share
    return shares


def _cuts(line: TaxLine, exempt: Decimal, rate: Decimal, reason: str) -> list[TaxCut]:
    """The taxed piece first, then the exempt one; a piece of nothing only where the line costs nothing."""
    if line.kind == "service" and line.category == "exempt":
        exempt = line.price
    pieces = []
    if exempt < line.price or not line.price:
        pieces.append(TaxCut(price=line.price - exempt, category="S", rate_percent=rate))
    if exempt:
        another: TaxedKind | None = "dispensing" if pieces and line.kind != "dispensing" else None
        pieces.append(TaxCut(price=exempt, category="E", reason=reason, kind=another))
    return pieces
