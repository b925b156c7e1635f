"""The daily digest in words."""

from __future__ import annotations

from typing import Any

from django.conf import settings

from opticshop.branches.models import Branch


def digest_text(branch: Branch, content: dict[str, Any]) -> str:
    """Plain text, one line a thing; numbers and addresses only, no name. The addresses are whole: it goes by e-mail."""
    host = settings.OPTICSHOP_PUBLIC_URL.rstrip("/")
    lines = [f"Alerts at {branch.name}, {content['day']}", ""]
    lines.append(f"{content['open']} open, {content['acknowledged']} acknowledged, {content['escalated']} escalated.")
    lines += [f"  {row['title']}: {row['count']} ({row['severity']})" for row in content["counts"]]
    if content["oldest"]:
        lines += ["", "The oldest:"]
        for row in content["oldest"]:
            number = f" {row['number']}" if row["number"] else ""
            lines += [f"  {row['title']}{number}, {row['severity']}, since {row['since'][:10]}: {host}{row['link']}"]
            lines += [f"    {row['action']}"]
    lines += ["", f"Closed since {content['closed_from']}:" if content["closed"] else "Nothing was closed."]
    lines += [
        f"  {row['title']}: {row['by_itself']} by themselves, {row['by_hand']} by hand" for row in content["closed"]
    ]
    return "\n".join(lines) + "\n"
