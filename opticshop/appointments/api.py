from __future__ import annotations

from typing import Any

routes: list[tuple[str, Any]] = []
