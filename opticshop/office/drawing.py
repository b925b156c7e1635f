"""Small drawings for the pages, as SVG that takes its colours from the style sheet, light or dark."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

#: Units of the drawing's own box; the page scales it.
WIDTH, HEIGHT, FOOT = 640, 150, 22


def sparkline(counts: Sequence[int], words: str) -> SafeString:
    """A bare curve for a cell of a table; ``words`` is what it says to whoever does not see it."""
    top = max([*counts, 1])
    step = 96 / max(1, len(counts) - 1)
    points = " ".join(f"{2 + place * step:.1f},{26 - 24 * count / top:.1f}" for place, count in enumerate(counts))
    return format_html(
        '<svg class="spark" viewBox="0 0 100 28" role="img" aria-label="{}"><polyline points="{}"/></svg>',
        words,
        points,
    )


def day_bars(days: Sequence[tuple[dt.date, int]], title: str, words: str) -> SafeString:
    """One bar a day, its count above it and its day below; the last is today."""
    top = max([count for _, count in days] + [1])
    slot = WIDTH / max(1, len(days))
    room = HEIGHT - FOOT - 18
    bars = []
    for place, (day, count) in enumerate(days):
        tall = room * count / top
        left = place * slot
        bars.append(
            (
                f"{left + slot * 0.14:.1f}",
                f"{18 + room - tall:.1f}",
                f"{slot * 0.72:.1f}",
                f"{tall:.1f}",
                "bar now" if place == len(days) - 1 else "bar rest" if day.weekday() == 6 else "bar",
                f"{left + slot / 2:.1f}",
                f"{18 + room - tall - 5:.1f}",
                count,
                HEIGHT - 6,
                f"{day:%a} {day.day}",
                "tick" if (len(days) - 1 - place) % 4 == 0 else "tick every",
            )
        )
    body = format_html_join(
        "",
        '<rect x="{0}" y="{1}" width="{2}" height="{3}" class="{4}" rx="2"/>'
        '<text x="{5}" y="{6}" class="count">{7}</text><text x="{5}" y="{8}" class="{10}">{9}</text>',
        bars,
    )
    return format_html(
        '<svg class="bars" viewBox="0 0 {} {}" role="img" aria-label="{}. {}">'
        '<line x1="0" x2="{}" y1="{}" y2="{}"/>{}</svg>',
        WIDTH,
        HEIGHT,
        title,
        words,
        WIDTH,
        HEIGHT - FOOT,
        HEIGHT - FOOT,
        body,
    )
