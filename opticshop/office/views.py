"""Head office's pages: the day, the alerts, the reports."""

from __future__ import annotations

from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from opticshop.alerts.permissions import AlertPermission
from opticshop.core import csv_text
from opticshop.core.actor import Actor
from opticshop.core.errors import Forbidden
from opticshop.workshop.permissions import WorkshopPermission

from . import drawing, reporting
from .doors import branch_with, branches_with, room
from .reporting import COMPARISONS
from .today import CURVE_DAYS, SHOWN, TOLD, Today, Told, alerts_told, today_for

#: The most alerts that the list of them tells; it says when there are more.
MOST_ALERTS = 200


@room()
def day(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Today at every branch that the actor may see."""
    if not any(actor.may(permission) for permission in SHOWN):
        raise Forbidden("You hold no role in any branch.")
    found = today_for(actor)
    days = found.days()
    bars = None
    if len(days) == CURVE_DAYS:
        words = ", ".join(f"{on:%a} {on.day}: {count}" for on, count in days)
        bars = drawing.day_bars(days, f"Orders placed on each of the last {CURVE_DAYS} days", words)
    rows = [
        {
            "it": each,
            "spark": drawing.sparkline(each.curve, f"Orders of {CURVE_DAYS} days, the last {each.curve[-1]}")
            if each.curve
            else "",
        }
        for each in found.branches
    ]
    tiles = _tiles(found)
    context = {
        "place": "day",
        "found": found,
        "rows": rows,
        "bars": bars,
        "tiles": tiles,
        "alerts": alerts_told(actor, most=TOLD) if actor.may(AlertPermission.VIEW) else None,
        **_places(actor),
    }
    return render(request, "office/day.html", context)


@room()
def alerts(request: HttpRequest, actor: Actor) -> HttpResponse:
    """All live alerts, of one branch where it is named."""
    actor.require(AlertPermission.VIEW)
    code = request.GET.get("branch", "")[:8]
    if code:
        branch_with(actor, code, AlertPermission.VIEW)
    told: list[Told] = alerts_told(actor, most=MOST_ALERTS + 1, branch=code)
    context = {
        "place": "alerts",
        "alerts": told[:MOST_ALERTS],
        "is_cut_short": len(told) > MOST_ALERTS,
        "most": MOST_ALERTS,
        "branches": branches_with(actor, [AlertPermission.VIEW]),
        "branch": code,
        **_places(actor),
    }
    return render(request, "office/alerts.html", context)


@room()
def reports(request: HttpRequest, actor: Actor) -> HttpResponse:
    context = {"place": "reports", "reports": reporting.reports_for(actor), **_places(actor)}
    return render(request, "office/reports.html", context)


@room()
def report(request: HttpRequest, actor: Actor, key: str) -> HttpResponse:
    """One report for a period, compared with another where that is asked."""
    asked_for = reporting.report_for(actor, key)
    asked, scope, branches = reporting.read(asked_for, actor, request.GET)
    headings, rows, _ = reporting.table(asked_for, asked, scope)
    context = {
        "place": "reports",
        "report": asked_for,
        "asked": asked,
        "earlier": asked.earlier() if asked.compare else None,
        "headings": headings,
        "rows": rows,
        "branches": branches,
        "groupings": [(name, reporting.words(name)) for name in asked_for.groupings],
        "comparisons": COMPARISONS,
        "query": urlencode(_query(asked)),
        **_places(actor),
    }
    return render(request, "office/report.html", context)


@room()
def report_csv(request: HttpRequest, actor: Actor, key: str) -> HttpResponse:
    """The rows of a report as a file, values as they are."""
    asked_for = reporting.report_for(actor, key)
    asked, scope, _ = reporting.read(asked_for, actor, request.GET)
    rows = asked_for.figures(scope)
    names = [asked.by, *(column.key for column in asked_for.columns)]
    if "currency" not in names and any(column.kind == "money" for column in asked_for.columns):
        names.insert(1, "currency")
    text = csv_text.lines(names, ([row.get(name) for name in names] for row in rows))
    answer = HttpResponse("".join(text), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{key}-{asked.since}-{asked.until}.csv"'
    return answer


def _query(asked: reporting.Asked) -> dict[str, str]:
    named = {
        "since": asked.since.isoformat(),
        "until": asked.until.isoformat(),
        "by": asked.by,
        "branch": asked.branch,
        "compare": asked.compare,
    }
    return {name: value for name, value in named.items() if value}


def _places(actor: Actor) -> dict[str, bool]:
    """To which other pages the actor is led."""
    return {
        "has_alerts": actor.may(AlertPermission.VIEW),
        "has_reports": bool(reporting.reports_for(actor)),
        "has_bench": actor.may(WorkshopPermission.VIEW),
    }


def _tiles(found: Today) -> list[dict[str, object]]:
    """The sums over the branches, in the order in which one asks for them; what may be seen nowhere is left out."""
    tiles: list[dict[str, object]] = []

    def count(name: str, words: str, tone: str = "") -> None:
        value = found.total(name)
        if value is not None:
            tiles.append({"words": words, "lines": [f"{value:,}"], "tone": tone if value else ""})

    def amount(name: str, words: str) -> None:
        sums = found.money(name)
        if sums:
            tiles.append(
                {"words": words, "lines": [f"{value:,.2f} {code}" for code, value in sums.items()], "is_money": True}
            )

    count("orders", "Orders today")
    amount("order_value", "Ordered today")
    count("jobs_due", "Jobs due today")
    count("jobs_overdue", "Jobs overdue", tone="bad")
    count("uncollected", "Ready, not collected")
    amount("deposits", "Deposits held")
    count("appointments", "Appointments today")
    count("urgent", "Urgent alerts", tone="bad")
    return tiles
