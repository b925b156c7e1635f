"""Asking plugins to decide, inside the transaction of the step they decide on.

Only plugins active at the branch are asked, one after another in the order of their names. Each function raises
PluginRefused (409) for a refusal and DecideFailed, DecideTooSlow (503) or StoredSettingsInvalid (409) for a defect;
all of them name the plugin, and the caller's transaction rolls back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from functools import partial
from typing import Any

from opticshop.branches.models import Branch
from opticshop.core import money
from opticshop.plugin_api import HandoverDraft, OrderDraft, PriceAdjustment, PricingContext, Settings

from ..activation import Activations, Standing
from ..discovery import Plugin
from ..errors import StoredSettingsInvalid
from ..isolation import decided
from ..manager import host


def decide_order_price(*, branch: Branch, context: PricingContext) -> list[PriceAdjustment]:
    """What the plugins add to or take off an order, in the order of the plugins' names."""
    return [adjustment for _, adjustment in order_price_decisions(branch=branch, context=context)]


def order_price_decisions(*, branch: Branch, context: PricingContext) -> list[tuple[str, PriceAdjustment]]:
    """What the plugins add to or take off an order, each with its plugin's name, in the order of the names.

    Every plugin sees list prices. Adjustments that are not in the currency's smallest unit, name a line that is not
    there, or bring a line or the order below zero count as a defect of the plugin that made them.
    """
    decisions: list[tuple[str, PriceAdjustment]] = []
    for plugin, ask in _asked("decide_order_price", branch, context=context):
        fault = partial(_fault_of_adjustments, context, tuple(adjustment for _, adjustment in decisions))
        answer = decided(plugin, "decide_order_price", ask, check=fault) or ()
        decisions += [(plugin.name, adjustment) for adjustment in answer]
    return decisions


def decide_order_placement(*, branch: Branch, draft: OrderDraft) -> None:
    """Let the plugins refuse an order that is about to be placed."""
    for plugin, ask in _asked("decide_order_placement", branch, order=draft):
        decided(plugin, "decide_order_placement", ask, check=_fault_unless_none)


def decide_handover(*, branch: Branch, draft: HandoverDraft) -> None:
    """Let the plugins refuse spectacles that are about to be handed over."""
    for plugin, ask in _asked("decide_handover", branch, order=draft):
        decided(plugin, "decide_handover", ask, check=_fault_unless_none)


def _asked(hook: str, branch: Branch, **facts: Any) -> Iterator[tuple[Plugin, Callable[[], Any]]]:
    present = host()
    implementing = present.implementing(hook)
    if not implementing:
        return
    activations = Activations.at(branch.id)
    for plugin in implementing:
        standing = activations.standing(plugin, branch.id)
        if standing.is_active:
            yield plugin, partial(present.ask, plugin, hook, settings=usable_settings(plugin, standing), **facts)


def usable_settings(plugin: Plugin, standing: Standing) -> Settings:
    """The settings in force. Raises StoredSettingsInvalid when the plugin's present version does not admit them."""
    if standing.problems:
        said = "; ".join(map(str, standing.problems))
        raise StoredSettingsInvalid(f"The settings stored for {plugin.name}: {said}", plugin=plugin.name)
    return standing.settings


def _fault_unless_none(answer: Any) -> str | None:
    return None if answer is None else f"it returned {type(answer).__name__}; it decides by refusing or not"


def _fault_of_adjustments(context: PricingContext, before: tuple[PriceAdjustment, ...], answer: Any) -> str | None:
    if answer is None:
        return None
    if not isinstance(answer, Sequence) or not all(isinstance(one, PriceAdjustment) for one in answer):
        return "it did not return a sequence of price adjustments"
    for one in answer:
        if one.line_index is not None and one.line_index >= len(context.lines):
            return f"it adjusted line {one.line_index}, which is not there"
        if one.amount != money.rounded(one.amount, context.currency):
            return f"the adjustment {one.amount} is not in the smallest unit of {context.currency}"
    together = (*before, *answer)
    for index, line in enumerate(context.lines):
        if line.amount + sum(one.amount for one in together if one.line_index == index) < 0:
            return f"its adjustments bring line {index} below zero"
    total = sum((line.amount for line in context.lines), Decimal(0))
    if total + sum(one.amount for one in together) < 0:
        return "its adjustments bring the order below zero"
    return None
