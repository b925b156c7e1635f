"""What a branch may set. Amounts are text, in the branch's currency, so that no digit is lost."""

from __future__ import annotations

from typing import Any

_MONEY = {"type": "string", "pattern": r"^[0-9]{1,8}(\.[0-9]{1,3})?$"}
_CODES = {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1, "uniqueItems": True}

_PACKAGE = {
    "type": "object",
    "additionalProperties": False,
    "required": ["name", "price", "lenses"],
    "anyOf": [{"required": ["frames"]}, {"required": ["frame_price_to"]}],
    "properties": {
        "name": {"type": "string", "minLength": 1, "maxLength": 80},
        "price": {**_MONEY, "description": "Of the frame and both lenses; treatments and fees come on top"},
        "frames": {**_CODES, "description": "Codes of the frames that belong to it"},
        "frame_price_to": {**_MONEY, "description": "Frames up to this list price belong to it as well"},
        "lenses": {**_CODES, "description": "Codes of the lenses that belong to it"},
    },
}

_SECOND_PAIR = {
    "type": "object",
    "additionalProperties": False,
    "required": ["days_within"],
    "oneOf": [{"required": ["percent"]}, {"required": ["amount"]}],
    "properties": {
        "percent": {"type": "string", "pattern": r"^(100|[1-9]?[0-9](\.[0-9]{1,2})?)$"},
        "amount": {**_MONEY, "description": "Off the second pair, never more than it costs"},
        "days_within": {"type": "integer", "minimum": 0, "maximum": 365, "description": "Days after the first pair"},
        "cheaper_pair_only": {"type": "boolean", "description": "Reckoned on the cheaper of the two (the default)"},
        "complete_pairs_only": {"type": "boolean", "description": "Both with frame and two lenses (the default)"},
    },
}

SETTINGS_SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "packages": {"type": "array", "items": _PACKAGE},
        "second_pair": {"anyOf": [{"type": "null"}, _SECOND_PAIR]},
        "combine": {"type": "boolean", "description": "A package as a second pair gets both; else the greater saving"},
    },
}

DEFAULT_SETTINGS: dict[str, Any] = {"packages": [], "second_pair": None, "combine": False}
