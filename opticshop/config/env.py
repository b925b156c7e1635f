"""Reading the environment, with errors that name the variable."""

from __future__ import annotations

import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

ROOT = Path(__file__).resolve().parents[2]


def text(name: str, default: str = "") -> str:
    return os.environ.get(name, default)


def flag(name: str, default: bool) -> bool:
    value = os.environ.get(name)
    if value is None or value == "":
        return default
    if value.lower() in {"1", "true", "yes", "on"}:
        return True
    if value.lower() in {"0", "false", "no", "off"}:
        return False
    raise ImproperlyConfigured(f"{name} must be 1 or 0, not {value!r}")


def number(name: str, default: int) -> int:
    value = os.environ.get(name)
    if value is None or value == "":
        return default
    try:
        return int(value)
    except ValueError as error:
        raise ImproperlyConfigured(f"{name} must be a whole number, not {value!r}") from error


def words(name: str, default: str = "") -> list[str]:
    return [word.strip() for word in text(name, default).split(",") if word.strip()]
