"""Settings of a branch, and what they mean."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from opticshop.plugin_api import PARAMETERS, Settings

DEFAULT_SETTINGS: dict[str, Any] = {"base": "iso-21987-2017", "tighten": {}}

SETTINGS_SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "required": ["base"],
    "properties": {
        "base": {
            "title": "Base standard",
            "description": "Key of the active standard whose limits are tightened.",
            "type": "string",
            "pattern": "^[a-z][a-z0-9]*(-[a-z0-9]+)*$",
        },
        "tighten": {
            "title": "Stricter limits",
            "description": "By parameter; numbers are text, so that they stay exact.",
            "type": "object",
            "propertyNames": {"enum": sorted(PARAMETERS)},
            "additionalProperties": {
                "type": "object",
                "additionalProperties": False,
                "minProperties": 1,
                "properties": {
                    "limit": {
                        "title": "Limit",
                        "description": "Greatest deviation in the unit of the parameter.",
                        "type": "string",
                        "pattern": r"^[0-9]{1,3}(\.[0-9]{1,4})?$",
                        "examples": ["0.09"],
                    },
                    "factor": {
                        "title": "Factor",
                        "description": "Share of the base's limit, at most 1.",
                        "type": "string",
                        "pattern": r"^(0\.[0-9]{1,4}|1(\.0{1,4})?)$",
                        "examples": ["0.5"],
                    },
                },
            },
        },
    },
}


@dataclass(frozen=True, slots=True)
class Tightening:
    """How one parameter is tightened: an absolute limit, a share of the base's limit, or both."""

    limit: Decimal | None
    factor: Decimal

    @property
    def words(self) -> str:
        parts = [] if self.limit is None else [f"at most {self.limit}"]
        if self.factor != 1:
            parts.append(f"{self.factor} of the base's limit")
        return " and ".join(parts) or "unchanged"


def base_key(settings: Settings) -> str:
    return str(settings.get("base", DEFAULT_SETTINGS["base"]))


def tightenings(settings: Settings) -> dict[str, Tightening]:
    """By parameter."""
    result = {}
    for parameter, values in settings.get("tighten", {}).items():
        limit = values.get("limit")
        result[parameter] = Tightening(None if limit is None else Decimal(limit), Decimal(values.get("factor", "1")))
    return result
