"""Whatever is done at two branches, in whatever order: stock, orders, jobs, money, numbers and events agree.

The rules are the use cases; a refusal is an answer like any other, if it has changed nothing. The judges of
``judging`` are asked after every rule. ``OPTICSHOP_SHOP_STORIES`` and ``OPTICSHOP_SHOP_STEPS`` make it longer.
"""

from __future__ import annotations

import os
from collections import Counter
from typing import Any, ClassVar

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from opticshop.core import clock
from opticshop.workshop.models import StepKind

from .judging import Judge, at_the_end
from .shop import Place, place_for
from .workbench import Workbench

STORIES, STEPS = (int(os.environ.get(f"OPTICSHOP_SHOP_{name}", few)) for name, few in (("STORIES", 5), ("STEPS", 25)))
WHICH, WHO, BRANCH, FEW = st.integers(0, 3), st.integers(0, 1), st.integers(0, 1), st.integers(1, 3)
KINDS = st.sampled_from(["stock", "stock", "stock", "special", "near", "one_eye", "mixed", "own_frame"])
FAR = st.sampled_from([0, 3, 8, 30, 30])
PARTS = st.sampled_from([100, 100, 50, 33, 1])
SPECIAL = st.sampled_from(["send", "send", "confirm", "receive", "receive", "receive_wrong", "fault", "cancel", "more"])
METHODS = st.sampled_from(["cash", "card", "transfer"])


class Story(RuleBasedStateMachine):
    place: ClassVar[Place]
    told: ClassVar[Counter[str]] = Counter()  # what was done and what was refused, in all stories

    def __init__(self) -> None:
        super().__init__()
        self.begun = transaction.atomic()
        self.begun.__enter__()
        self.judge = Judge()
        self.shop = Workbench(self.place, self.moved)

    @initialize(is_prompt=st.booleans(), kinds=st.tuples(KINDS, KINDS, KINDS), far=st.tuples(FAR, FAR))
    def begin(self, is_prompt: bool, kinds: tuple[str, ...], far: tuple[int, int]) -> None:
        """Three orders, two of them on their way, one perhaps handed over."""
        for branch, kind in enumerate(kinds):
            self.shop.place_order(branch % 2, kind)
        self.shop.deliver()
        for which, steps in enumerate(far):
            self.shop.special(which, "send")
            self.shop.work(which, which, steps)
        self.shop.hand_over(0, True)
        self.shop.is_prompt = is_prompt

    def moved(self) -> None:
        """Each act alone makes moves of the tables only."""
        assert not (wrong := list(self.judge.moves(is_one_act=True))), wrong

    def teardown(self) -> None:
        try:
            self.shop.deliver()
            with clock.at(self.shop.now):
                assert not (wrong := [*self.judge.wrong(), *at_the_end()]), wrong
        finally:
            self.told.update([*self.shop.done, *self.shop.refusals])
            transaction.set_rollback(True)
            self.begun.__exit__(None, None, None)

    @invariant()
    def everything_agrees(self) -> None:
        with clock.at(self.shop.now):
            wrong = self.judge.wrong()
        assert not wrong, "\n".join([*wrong, f"after {self.shop.done[-12:]}"])

    # --- stock ------------------------------------------------------------------------------------------------------

    @rule(branch=BRANCH, item=st.integers(0, 4), quantity=FEW, code=st.sampled_from(["L1", "L2"]))
    def receive(self, **given: Any) -> None:
        self.shop.receive(**given)

    @rule(which=WHICH, quantity=FEW)
    def write_off(self, **given: Any) -> None:
        self.shop.write_off(**given)

    @rule(which=WHICH)
    def quarantine(self, **given: Any) -> None:
        self.shop.quarantine(**given)

    @rule(which=WHICH, variance=st.integers(-2, 2), approve=st.booleans())
    def count(self, **given: Any) -> None:
        self.shop.count(**given)

    @rule(sender=BRANCH, item=st.integers(0, 4), quantity=FEW)
    def send(self, **given: Any) -> None:
        self.shop.send(**given)

    @rule(which=WHICH, quantity=FEW, end=st.sampled_from(["arrive", "arrive", "lose", "back"]))
    def arrive(self, **given: Any) -> None:
        self.shop.arrive(**given)

    # --- orders -----------------------------------------------------------------------------------------------------

    @rule(branch=BRANCH, kind=KINDS, heard=st.booleans())
    def place_order(self, heard: bool, **given: Any) -> None:
        self.shop.place_order(**given)
        if heard:
            self.deliver()

    @rule(which=WHICH)
    def cancel(self, **given: Any) -> None:
        self.shop.cancel(**given)

    @rule(which=WHICH, kind=KINDS)
    def replace(self, **given: Any) -> None:
        self.shop.replace(**given)

    @rule(which=WHICH, days=st.integers(-1, 6))
    def promise(self, **given: Any) -> None:
        self.shop.promise(**given)

    @rule()
    def deliver(self) -> None:
        self.shop.deliver()

    @rule(days=FEW)
    def tomorrow(self, **given: Any) -> None:
        self.shop.tomorrow(**given)

    # --- money ------------------------------------------------------------------------------------------------------

    @rule(which=WHICH, part=PARTS, method=METHODS)
    def pay(self, **given: Any) -> None:
        self.shop.pay(**given)

    @rule(which=WHICH, part=PARTS)
    def refund(self, **given: Any) -> None:
        self.shop.refund(**given)

    @rule(which=WHICH, part=PARTS, kind=st.sampled_from(["forfeit", "bad_debt", "goodwill"]))
    def settle(self, **given: Any) -> None:
        self.shop.settle(**given)

    @rule(which=WHICH)
    def unsettle(self, **given: Any) -> None:
        self.shop.unsettle(**given)

    @rule(which=WHICH)
    def invoice(self, **given: Any) -> None:
        self.shop.invoice(**given)

    @rule(which=WHICH, part=PARTS)
    def credit(self, **given: Any) -> None:
        self.shop.credit(**given)

    # --- the bench --------------------------------------------------------------------------------------------------

    @rule(which=WHICH, who=WHO, steps=st.sampled_from([1, 3, 8, 30]))
    def work(self, **given: Any) -> None:
        self.shop.work(**given)

    @rule(
        which=WHICH,
        who=WHO,
        way=st.sampled_from(["start", "finish", "skip", "undo", "stop", "resume", "claim", "release"]),
        kind=st.sampled_from(list(StepKind.values)),
    )
    def step(self, **given: Any) -> None:
        self.shop.step(**given)

    @rule(which=WHICH, who=WHO, eye=st.sampled_from(["right", "left"]))
    def misread(self, which: int, who: int, eye: str) -> None:
        if job := self.shop.job(which):
            self.shop.verify(job, who, eye, False)

    @rule(which=WHICH, who=WHO, part=st.sampled_from(["right", "left", "frame"]))
    def smash(self, **given: Any) -> None:
        self.shop.smash(**given)

    @rule(which=WHICH, who=WHO, redo_from=st.sampled_from(list(StepKind.values)))
    def fail(self, which: int, who: int, redo_from: str) -> None:
        if job := self.shop.job(which):
            self.shop.inspect(job, who, False, redo_from)

    @rule(which=WHICH, who=WHO)
    def lenses_here(self, which: int, who: int) -> None:
        if job := self.shop.job(which):
            self.shop.arrived(job, who)

    @rule(which=WHICH, way=SPECIAL)
    def special(self, **given: Any) -> None:
        self.shop.special(**given)

    # --- handover and after it --------------------------------------------------------------------------------------

    @rule(which=WHICH, pays=st.sampled_from([True, True, False]))
    def hand_over(self, **given: Any) -> None:
        self.shop.hand_over(**given)

    @rule(
        which=WHICH,
        cause=st.sampled_from(["axis_off", "wrong_power"]),
        eye=st.sampled_from(["right", "left", "both", "frame"]),
    )
    def bring_back(self, **given: Any) -> None:
        self.shop.bring_back(**given)

    @rule(
        which=WHICH,
        decision=st.sampled_from(["remake", "remake", "refund", "adjust", "refuse"]),
        branch=BRANCH,
        part=PARTS,
    )
    def decide(self, **given: Any) -> None:
        self.shop.decide(**given)

    @rule(branch=BRANCH, kind=KINDS, who=WHO)
    def whole_way(self, branch: int, kind: str, who: int) -> None:
        """From the order to the handover: chance alone seldom gets there."""
        self.shop.whole_way(branch, kind, who)


@pytest.mark.django_db
def test_whatever_is_done_everything_agrees(mill, quay):
    Story.place = place_for(mill, quay)
    run_state_machine_as_test(
        Story,
        settings=settings(
            max_examples=STORIES,
            stateful_step_count=STEPS,
            deadline=None,
            database=None,
            derandomize="OPTICSHOP_SHOP_STORIES" not in os.environ,
            suppress_health_check=list(HealthCheck),
            phases=[Phase.generate, Phase.shrink] if os.environ.get("OPTICSHOP_SHOP_SHRINK") else [Phase.generate],
        ),
    )
    assert {"pay", "hand_over", "inspect"} <= set(Story.told), Story.told
    print(dict(sorted(Story.told.items())))  # noqa: T201 - shown by pytest -s
