"""What the answers need of the trade besides columns, for the servers that know nothing of the project's own code."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

LABELS = {
    "verify": "Verify the uncut lenses on the focimeter",
    "mark_up": "Mark up",
    "trace": "Trace the frame",
    "block": "Lay out and block",
    "edge": "Edge",
    "hand_edge": "Hand-edge: safety bevel and corrections",
    "glaze": "Glaze",
    "inspect": "Final inspection",
    "set_up": "Set up to standard alignment",
    "pack": "Clean and pack",
}
SKIPPABLE = frozenset({"mark_up", "trace", "block", "edge", "hand_edge"})
MOVES = {
    "waiting": ["cancelled", "open", "stopped"],
    "open": ["cancelled", "inspected", "stopped", "waiting"],
    "stopped": ["cancelled", "open", "waiting"],
    "inspected": ["cancelled", "finished", "stopped"],
    "finished": [],
    "cancelled": [],
}
LIVE = [state for state, moves in MOVES.items() if moves]


@lru_cache(maxsize=100)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def today(zone: str) -> dt.date:
    return dt.datetime.now(_zone(zone)).date()


def next_of(
    state: str,
    awaited_eyes: Sequence[str],
    awaits_frame: bool,
    stop_reason: str,
    steps: Sequence[tuple[str, str]],
) -> dict[str, Any]:
    """What a job needs next; ``steps`` are kinds with their states, in the order of the bench."""
    words, step, requests = "Nothing is left to do.", None, []
    if state == "waiting":
        lenses = [f"the {' and '.join(awaited_eyes)} lens"] if awaited_eyes else []
        requests = ["lenses-arrived"] * bool(lenses) + ["frame-arrived"] * awaits_frame
        words = f"Wait for {' and '.join([*lenses, *['the frame'] * awaits_frame])}."
    elif state == "stopped":
        words, requests = f"Stopped: {stop_reason}", ["resume", "break-lens", "break-frame"]
    elif state in ("finished", "cancelled"):
        words = f"Nothing; the job is {state}."
    elif found := next((each for each in steps if each[1] not in ("done", "skipped")), None):
        step, step_state = found
        label = LABELS[step]
        if step == "inspect":
            words, requests = f"{label}: record an inspection of this job.", ["inspections"]
        else:
            is_begun = step_state == "started"
            words = f"Going on: {label}." if is_begun else f"Next: {label}."
            requests = [f"steps/{step}/{'finish' if is_begun else 'start'}"]
            if step == "verify":
                requests.insert(0, "verify")
            if step in SKIPPABLE:
                requests.append(f"steps/{step}/skip")
    return {"words": words, "step": step, "requests": requests}


def forms(sphere: Decimal | None, cylinder: Decimal, axis: int | None) -> dict[str, Any]:
    """Both cylinder forms of a power and its spherical equivalent, in dioptres."""
    if sphere is None:
        return {"minus_cylinder": None, "plus_cylinder": None, "spherical_equivalent_dpt": None}
    turned = None if axis is None else (axis + 90 if axis <= 90 else axis - 90)
    one = {"sphere_dpt": sphere, "cylinder_dpt": cylinder, "axis_deg": axis}
    other = {"sphere_dpt": sphere + cylinder, "cylinder_dpt": -cylinder, "axis_deg": turned}
    minus, plus = (one, other) if cylinder <= 0 else (other, one)
    return {
        "minus_cylinder": minus,
        "plus_cylinder": plus,
        "spherical_equivalent_dpt": (sphere + cylinder / 2).quantize(Decimal("0.001")),
    }


def prisms(side: str, parts: Sequence[tuple[Decimal, str]]) -> tuple[Decimal, Decimal]:
    """Prism base in and base up, in prism dioptres, of parts with a base in, out, up or down."""
    amounts = {"in": Decimal("0.00"), "out": Decimal("0.00"), "up": Decimal("0.00"), "down": Decimal("0.00")}
    for amount, base in parts:
        if base:
            amounts[base] += amount
    return amounts["in"] - amounts["out"], amounts["up"] - amounts["down"]
