"""Head office's pages: the day, the alerts, the reports."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from opticshop.alerts.permissions import AlertPermission
from opticshop.core.actor import Actor
from opticshop.core.errors import Forbidden
from opticshop.reports.asking import Asked, reports_for
from opticshop.reports.comparing import found_for
from opticshop.reports.files import file_name
from opticshop.reports.registry import TOTAL
from opticshop.reports.telling import as_csv
from opticshop.workshop.permissions import WorkshopPermission

from . import charting, drawing, reporting
from .doors import branch_with, branches_with, room
from .reporting import COMPARED
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
    context = {"place": "reports", "reports": reports_for(actor), **_places(actor)}
    return render(request, "office/reports.html", context)


@room()
def report(request: HttpRequest, actor: Actor, key: str) -> HttpResponse:
    """One report for a period, compared with another where that is asked."""
    asked, branches = reporting.read(actor, key, request.GET)
    found = found_for(asked)
    context = {
        "place": "reports",
        "report": asked.report,
        "asked": asked.scope,
        "branch": request.GET.get("branch", ""),
        "compare": request.GET.get("compare", ""),
        "earlier": asked.earlier,
        "rows": reporting.table(asked, found),
        "panels": charting.panels(asked, found),
        "branches": branches,
        "groupings": [(name, reporting.words(name)) for name in (*asked.report.groupings, TOTAL)],
        "comparisons": COMPARED,
        "query": urlencode(_query(asked, request.GET)),
        "in_the_api": urlencode(_query_of_api(asked, request.GET)),
        **_places(actor),
    }
    return render(request, "office/report.html", context)


@room()
def report_csv(request: HttpRequest, actor: Actor, key: str) -> HttpResponse:
    """The same as a file, as the API gives it."""
    asked, _ = reporting.read(actor, key, request.GET)
    answer = HttpResponse("".join(as_csv(asked, found_for(asked))), content_type="text/csv; charset=utf-8")
    name = file_name(key, asked.scope.since, asked.scope.until, "csv")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _query(asked: Asked, given: Mapping[str, str]) -> dict[str, str]:
    named = {
        "since": asked.scope.since.isoformat(),
        "until": asked.scope.until.isoformat(),
        "by": asked.scope.by,
        "branch": given.get("branch", ""),
        "compare": given.get("compare", ""),
    }
    return {name: value for name, value in named.items() if value}


def _query_of_api(asked: Asked, given: Mapping[str, str]) -> dict[str, str]:
    """The same question as the API is asked it."""
    named = _query(asked, given)
    told = {"from": named.pop("since"), "to": named.pop("until"), **named}
    if "branch" in told:
        told["branch"] = str(asked.scope.branches[0].id)
    return told


def _places(actor: Actor) -> dict[str, bool]:
    """To which other pages the actor is led."""
    return {
        "has_alerts": actor.may(AlertPermission.VIEW),
        "has_reports": bool(reports_for(actor)),
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
