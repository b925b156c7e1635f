"""Head office's pages: the day, the alerts, the reports."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from opticshop.alerts.permissions import AlertPermission
from opticshop.core.actor import Actor
from opticshop.core.errors import Forbidden
from opticshop.reports.asking import Asked, reports_for
from opticshop.reports.comparing import found_for
from opticshop.reports.files import file_name
from opticshop.reports.registry import TOTAL
from opticshop.reports.telling import as_csv
from opticshop.workshop.permissions import WorkshopPermission
from opticshop.workshop.selectors import LIVE_STATES

from . import charting, drawing, reporting
from .doors import branch_with, branches_with, room
from .reporting import COMPARED
from .today import CURVE_DAYS, ORDERS_OF_BRANCHES, SHOWN, TOLD, Today, Told, alerts_told, shown_of, today_for

#: The most alerts that the list of them tells; it says when there are more.
MOST_ALERTS = 200
#: What a day is compared with, in words: it is the same weekday.
WHEN = {
    "orders_before": "by this time a week ago",
    "order_value_before": "by this time a week ago",
    "appointments_before": "a week ago",
}


@room()
def day(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Today at every branch that the actor may see."""
    if not any(actor.may(permission) for permission in SHOWN):
        raise Forbidden("You hold no role in any branch.")
    found = today_for(actor)
    shown = shown_of(
        found,
        order=request.GET.get("order", ""),
        find=request.GET.get("find", "").replace("\x00", "").strip()[:60],
        page=request.GET.get("page", ""),
    )
    days = found.days()
    bars = None
    if len(days) == CURVE_DAYS:
        words = ", ".join(f"{on:%a} {on.day}: {count}" for on, count in days)
        bars = drawing.day_bars(days, f"Orders placed on each of the last {CURVE_DAYS} days", words)
    rows = [
        {
            "it": each,
            "yesterday": each.day - dt.timedelta(days=1),
            "spark": drawing.sparkline(each.curve, f"Orders of {CURVE_DAYS} days, the last {each.curve[-1]}")
            if each.curve
            else "",
        }
        for each in shown.branches
    ]
    tiles = _tiles(actor, found)
    context = {
        "place": "day",
        "found": found,
        "shown": shown,
        "live_states": sorted(LIVE_STATES),
        "orders_of_branches": ORDERS_OF_BRANCHES,
        "query": urlencode({name: value for name, value in (("order", shown.order), ("find", shown.find)) if value}),
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


def _tiles(actor: Actor, found: Today) -> list[dict[str, object]]:
    """The sums over the branches, in the order in which one asks for them; what may be seen nowhere is left out.

    Each leads to where its figure is told by branch, where the actor may go there.
    """
    tiles: list[dict[str, object]] = []
    day = max((each.day for each in found.branches), default=found.made_at.date()).isoformat()
    reports = {report.key for report in reports_for(actor)}

    def report_at(key: str) -> str:
        asked = urlencode({"since": day, "until": day, "by": "branch"})
        return f"{reverse('office-report', kwargs={'key': key})}?{asked}" if key in reports else ""

    def count(name: str, words: str, *, tone: str = "", link: str = "", before: str = "") -> None:
        value, then = found.total(name), found.total(before) if before else None
        if value is not None:
            earlier = "" if then is None else f"{then:,} {WHEN[before]}"
            told = {"words": words, "lines": [f"{value:,}"], "tone": tone if value else "", "link": link}
            tiles.append({**told, "before": earlier})

    def amount(name: str, words: str, *, link: str = "", before: str = "") -> None:
        sums, then = found.money(name), found.money(before) if before else {}
        if sums:
            earlier = ", ".join(f"{value:,.2f} {code}" for code, value in then.items())
            told = {"words": words, "lines": [f"{value:,.2f} {code}" for code, value in sums.items()]}
            tiles.append({**told, "is_money": True, "link": link, "before": earlier and f"{earlier} {WHEN[before]}"})

    placed, by_need = report_at("orders-placed"), f"{reverse('office')}?order=need#branches"
    count("orders", "Orders today", link=placed, before="orders_before")
    amount("order_value", "Ordered today", link=placed, before="order_value_before")
    count("jobs_due", "Jobs due today")
    count("jobs_overdue", "Jobs overdue", tone="bad", link=by_need)
    count("uncollected", "Ready, not collected", link=report_at("uncollected"))
    amount("deposits", "Deposits held", link=report_at("deposits-owed"))
    count("appointments", "Appointments today", before="appointments_before")
    count("urgent", "Urgent alerts", tone="bad", link=reverse("office-alerts"))
    return tiles
