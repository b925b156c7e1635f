"""What quality does when it hears of inspections and readings."""

from __future__ import annotations

from . import charts_tasks as charts_tasks
