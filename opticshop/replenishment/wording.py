"""The reasons in words: one plain sentence or two per line, with the numbers that led to it. Pure text."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from .demand import DemandModel
from .parameters import Parameters
from .policy import Levels


@dataclass(frozen=True, slots=True)
class Facts:
    """All that a sentence about one power at one branch speaks of. Money in ``currency``."""

    what: str
    branch: str
    parameters: Parameters
    model: DemandModel
    levels: Levels
    pieces_used: int
    weeks: int
    lead_days: int
    available: int
    coming: int
    leaving: int
    position: int
    currency: str
    supplier: str = ""
    unit_cost: Decimal | None = None
    pack: int = 1
    sender: str = ""
    sent: int = 0
    wanted: int = 0
    bought: int = 0


def explanation(facts: Facts) -> str:
    return " ".join(part for part in (_demand(facts), _level(facts), _action(facts)) if part)


def _demand(facts: Facts) -> str:
    model = facts.model
    used = f"{facts.branch} used {pieces(facts.pieces_used)} of {facts.what} in {weeks(facts.weeks)}"
    if model.family == "none":
        return f"{used}, and no other branch used any."
    how = "one by one (Poisson)"
    if model.family == "negative_binomial":
        how = f"in clumps (variance {model.dispersion:.1f} times the mean; negative binomial)"
    lent = f", {model.borrowed:.0%} of it learned from other branches" if model.borrowed >= 0.005 else ""
    return f"{used}: {model.mean_per_week:.2f} a week, give or take {model.mean_error:.2f}, asked for {how}{lent}."


def _level(facts: Facts) -> str:
    levels, asked = facts.levels, facts.parameters
    if levels.reorder_point is None:
        if facts.model.family == "none":
            return "It need not be kept."
        return f"That is too seldom to keep it: without any, {_service(asked, levels)}."
    return (
        f"With deliveries after {days(facts.lead_days)} and an order every {days(asked.review_days)}, "
        f"{levels.reorder_point + 1} there or on the way mean that {_service(asked, levels)}; the aim is "
        f"{float(asked.service):.1%}. So order at {levels.reorder_point} or fewer, up to {levels.order_up_to}."
    )


def _service(asked: Parameters, levels: Levels) -> str:
    if asked.kind == "cycle":
        return f"{levels.cycle_service:.1%} of order cycles pass without a shortage"
    return f"{levels.fill_rate:.1%} of pieces asked for are in the drawer"


def _action(facts: Facts) -> str:
    have = f"Available now: {facts.available}; on the way or drafted: {facts.coming}"
    if facts.leaving:
        have += f"; drafted to leave: {facts.leaving}"
    if facts.levels.reorder_point is None:
        return f"{have}." if facts.available or facts.coming or facts.leaving else ""
    if facts.position > facts.levels.reorder_point:
        return f"{have}. Nothing to do."
    parts = [f"{have}; short by {facts.levels.order_up_to - facts.position}."]
    if facts.sent:
        parts.append(f"Take {facts.sent} from {facts.sender}, which has more than it needs.")
    if facts.wanted and facts.bought:
        packs = f" in packs of {facts.pack}" if facts.pack > 1 else ""
        cost = (facts.unit_cost or Decimal(0)) * facts.bought
        parts.append(f"Buy {facts.bought}{packs} from {facts.supplier} for {cost:.2f} {facts.currency}.")
        if facts.bought < facts.wanted:
            parts.append(f"{facts.wanted} were wanted; the budget helps more elsewhere.")
    elif facts.wanted:
        parts.append(f"{facts.wanted} should be bought from {facts.supplier}, but the budget helps more elsewhere.")
    elif facts.position + facts.sent < facts.levels.order_up_to:
        missing = f"{facts.supplier} has no price for it in {facts.currency} today" if facts.supplier else ""
        parts.append(f"It cannot be bought: {missing or 'no supplier offers it'}.")
    return " ".join(parts)


def pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def weeks(count: int) -> str:
    return "1 week" if count == 1 else f"{count} weeks"


def days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"
