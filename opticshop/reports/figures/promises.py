"""Whether pairs were ready when they were promised: the counts of ``quality.figures``."""

from __future__ import annotations

from opticshop.core.shares import share_of
from opticshop.quality.permissions import QualityPermission

from ..facts.reading import counted
from ..registry import Chart, Column, Drill, Report, Row, Scope, register
from .workshop import MADE_FACTS


def promises_kept(scope: Scope) -> list[Row]:
    """One row a group of the first attempts finished in the period."""
    return [
        {
            scope.by: label,
            "finished": counts["jobs"],
            "on_first_promise": counts["on_first_promise"],
            "on_last_promise": counts["on_last_promise"],
            "first_share": share_of(counts["on_first_promise"], counts["jobs"]),
            "last_share": share_of(counts["on_last_promise"], counts["jobs"]),
        }
        for (label, _), counts in sorted(counted(MADE_FACTS, scope).items())
        if counts["jobs"]
    ]


PROMISES_KEPT = register(
    Report(
        key="promises-kept",
        title="Promises kept",
        purpose="How often a pair was ready on the day that its customer was told.",
        columns=(
            Column("finished", "Finished", "count", "First attempts at an order that were packed in the period."),
            Column("on_first_promise", "On the first promise", "count", "Of these, packed by the day first promised."),
            Column("on_last_promise", "On the last promise", "count", "Of these, packed by the day last promised."),
            Column("first_share", "Share on the first promise", "share", "On the first promise over finished."),
            Column("last_share", "Share on the last promise", "share", "On the last promise over finished."),
        ),
        groupings=("branch", "product", "person", "day", "week", "month"),
        figures=promises_kept,
        reconciled_with="the promises of the orders finished (tests/reports/test_reports_selling.py)",
        permission=QualityPermission.FIGURES,
        chart=Chart(kind="bars", x="by", y=("first_share", "last_share")),
        drills=(Drill("/api/v1/jobs/?state=finished&is_remake=false", since="finished_from", until="finished_to"),),
    )
)
