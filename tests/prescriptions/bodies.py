"""Request bodies of an ordinary prescription and an ordinary set of measurements. All data is invented."""

from __future__ import annotations

from typing import Any

PRESCRIPTIONS = "/api/v1/prescriptions/"
MEASUREMENTS = "/api/v1/measurements/"
RIGHT = {"sphere_dpt": "-2.25", "cylinder_dpt": "-0.50", "axis_deg": 90}
LEFT = {"sphere_dpt": "-2.00"}


def prescription(customer: Any = None, *, right: Any = None, left: Any = None, **more: Any) -> dict[str, Any]:
    """``right`` and ``left`` add to an ordinary eye; a key given as None is left out."""
    body = {
        "issued_on": "2026-02-20",
        "prescriber": {"name": "R. Sorrel (invented)", "registration": "01-00001"},
        "right": _without_none(RIGHT | (right or {})),
        "left": _without_none(LEFT | (left or {})),
        **more,
    }
    if customer is not None:
        body["customer"] = str(customer.id)
    return _without_none(body)


def measurement(customer: Any, **more: Any) -> dict[str, Any]:
    body = {"customer": str(customer.id), "method": "ruler", "pd_right_mm": "31.5", "pd_left_mm": "32.0", **more}
    return _without_none(body)


def warned(response: Any) -> set[tuple[str, str]]:
    """(code without the app's name, field) of every warning in an answer."""
    return {(row["code"].removeprefix("prescriptions."), row["field"]) for row in response.data["warnings"]}


def refused(response: Any) -> tuple[str, str]:
    """(code, pointer) of the first error in a problem answer."""
    assert response["Content-Type"] == "application/problem+json"
    problem = response.json()
    return problem["code"], problem["errors"][0]["pointer"]


def _without_none(values: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}
