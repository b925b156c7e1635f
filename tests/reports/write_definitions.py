"""The definitions in docs/reports.md, from the registry: ``python -m tests.reports.write_definitions`` writes them."""

from __future__ import annotations

import re
from pathlib import Path

FILE = Path(__file__).resolve().parents[2] / "docs" / "reports.md"
_MARKED = re.compile(r"(<!-- definitions -->\n).*?(<!-- end -->)", re.DOTALL)


def written() -> str:
    """The page with the definitions as the code has them."""
    from opticshop.reports.registry import all_reports

    parts = []
    for report in all_reports():
        columns = [f"| `{each.key}` | {each.title} | {each.kind} | {each.definition} |" for each in report.columns]
        parts += [
            f"### {report.title}",
            "",
            f"`{report.key}`, needs `{report.permission}`. {report.purpose}",
            f"By {', '.join(report.groupings)}, or in all.",
            f"Reconciled with {report.reconciled_with}.",
            "",
            "| column | title | kind | what is counted |",
            "|---|---|---|---|",
            *columns,
            "",
        ]
    page = FILE.read_text(encoding="utf-8")
    return _MARKED.sub(lambda found: found[1] + "\n" + "\n".join(parts) + found[2], page)


if __name__ == "__main__":
    import os

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.test")
    django.setup()
    FILE.write_text(written(), encoding="utf-8")
