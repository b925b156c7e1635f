"""Public schemes that pay for spectacles: their bands, supplements and grounds of entitlement, as data.

Every fact names what it rests on. They are facts of law that change: defer to the regulations in force in the nation
and to the company's adviser. What a band is worth is dated data of its own (``SchemeValue``), never stated here.

A band is a tier by the power of the lens, in one of two columns: single vision or multifocal. The tiers are regions of
sphere (without its sign) and cylinder (without its sign); a power that lies in two regions is doubtful, the lower band
is taken and the other is named.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

_READ = "published band definitions, read 2026"
_MEMORY = "from memory, not looked up"
_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Span:
    """From low to high; each end belongs to it unless it is open; without an end it goes on."""

    low: Decimal | None = None
    high: Decimal | None = None
    low_open: bool = False
    high_open: bool = False

    def holds(self, value: Decimal) -> bool:
        if self.low is not None and (value < self.low or (self.low_open and value == self.low)):
            return False
        return not (self.high is not None and (value > self.high or (self.high_open and value == self.high)))


def _upto(high: str) -> Span:
    return Span(high=Decimal(high))


def _over(low: str, high: str | None = None) -> Span:
    return Span(low=Decimal(low), low_open=True, high=None if high is None else Decimal(high))


@dataclass(frozen=True, slots=True)
class Region:
    """Powers of one tier, 0 being the weakest."""

    tier: int
    sphere: Span
    cylinder: Span
    source: str = _READ
    confidence: str = "high"


@dataclass(frozen=True, slots=True)
class Supplement:
    code: str
    words: str
    most: int = 1
    source: str = _READ
    confidence: str = "high that it exists, low how often it is paid for one pair"


@dataclass(frozen=True, slots=True)
class Ground:
    """Why somebody is entitled; where it hangs on age, between which ages (completed years, both included)."""

    code: str
    words: str
    age_from: int | None = None
    age_to: int | None = None
    source: str = _READ
    confidence: str = "high"


@dataclass(frozen=True, slots=True)
class Evidence:
    """A kind of proof that was seen. The kind is recorded, never a copy."""

    code: str
    words: str
    source: str = _PRACTICE
    confidence: str = "low"


@dataclass(frozen=True, slots=True)
class Scheme:
    key: str
    title: str
    country: str
    currency: str
    nations: tuple[str, ...]
    regions: tuple[Region, ...]
    single_vision: tuple[str, ...]
    multifocal: tuple[str, ...]
    #: Bands that no power decides; the voucher form states them.
    stated: tuple[str, ...]
    supplements: tuple[Supplement, ...]
    grounds: tuple[Ground, ...]
    evidence: tuple[Evidence, ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def bands(self) -> tuple[str, ...]:
        return (*self.single_vision, *self.multifocal, *self.stated)

    def supplement(self, code: str) -> Supplement | None:
        return next((found for found in self.supplements if found.code == code), None)

    def ground(self, code: str) -> Ground | None:
        return next((found for found in self.grounds if found.code == code), None)


UK_OPTICAL = Scheme(
    key="uk-optical-voucher",
    title="Optical vouchers of the health services of the United Kingdom",
    country="GB",
    currency="GBP",
    nations=("ENG", "WLS", "SCT", "NIR"),
    regions=(
        Region(0, sphere=_upto("6.00"), cylinder=_upto("2.00")),
        Region(1, sphere=_over("6.00", "10.00"), cylinder=_upto("6.00")),
        Region(1, sphere=Span(high=Decimal("10.00"), high_open=True), cylinder=_over("2.00", "6.00")),
        Region(
            2,
            sphere=Span(low=Decimal("10.00"), high=Decimal("14.00")),
            cylinder=_upto("6.00"),
            confidence="high; at exactly 10.00 the public wording names two bands: settle from the regulations",
        ),
        Region(3, sphere=_over("14.00"), cylinder=Span()),
        Region(3, sphere=Span(), cylinder=_over("6.00")),
    ),
    single_vision=("A", "B", "C", "D"),
    multifocal=("E", "F", "G", "H"),
    stated=("I", "J"),
    supplements=(
        Supplement("prism", "Prism, for each lens", most=2),
        Supplement("tint", "Tint or photochromic, for each lens", most=2),
        Supplement("small_frame", "Small spectacles"),
        Supplement("special_frame", "Specially made frame"),
        Supplement("child", "Spectacles of a child"),
        Supplement("complex_lens", "Complex lens voucher"),
    ),
    grounds=(
        Ground("under_16", "Under 16", age_to=15),
        Ground("student", "16 to 18 in full-time education", age_from=16, age_to=18),
        Ground("complex_lens", "Needs a complex lens"),
        Ground("benefit", "Receives a benefit that entitles"),
        Ground("certificate", "Holds a certificate that entitles"),
        Ground("prisoner_on_leave", "Prisoner on leave"),
        Ground("child_repair", "Repair or replacement for a child", age_to=15),
    ),
    evidence=(
        Evidence("identity_document", "Document that shows the date of birth"),
        Evidence("education_letter", "Letter or card of the school or college"),
        Evidence("award_letter", "Letter of award"),
        Evidence("certificate", "Certificate"),
        Evidence("prescription", "The prescription itself"),
        Evidence("not_shown", "Asked for, not shown", source=_MEMORY),
    ),
    notes=(
        "The stronger eye normally decides the band of the pair (low confidence, from memory).",
        "Which form of the cylinder the regulations intend was not checked: minus cylinder is taken here.",
    ),
)

SCHEMES: dict[str, Scheme] = {scheme.key: scheme for scheme in (UK_OPTICAL,)}
