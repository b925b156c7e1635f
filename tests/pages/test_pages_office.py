"""Head office's pages by Django's client: who sees what, of which branch, in how many queries, under which policy."""

from __future__ import annotations

import datetime as dt
import html
import io
import re
from decimal import Decimal

import pytest
from django.core.cache import cache
from django.test import Client

from opticshop.alerts import services as alert_services
from opticshop.audit.models import AuditRead
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.office import drawing, views
from opticshop.office.today import age_words, today
from opticshop.reports.registry import all_reports
from tests.alerts.conftest import a_job, an_order
from tests.conftest import NOON
from tests.factories import BranchFactory
from tests.reports.test_reports_money import supplied
from tests.signing_in import signed_in
from tests.workshop.conftest import Bench, bench, order, world

__all__ = ["bench", "order", "world"]
pytestmark = pytest.mark.django_db
TODAY = NOON.date()


@pytest.fixture(autouse=True)
def nothing_kept():
    cache.clear()


def busy(branch: Branch) -> None:
    """Two orders today, one yesterday, one called off; one job due today, two overdue; one pair not collected."""
    an_order(branch)
    an_order(branch, placed_at=dt.datetime(2026, 3, 2, 0, 0, tzinfo=dt.UTC))  # London keeps UTC in March
    an_order(branch, placed_at=dt.datetime(2026, 3, 1, 23, 59, tzinfo=dt.UTC))
    an_order(branch, state="cancelled", cancelled_reason="invented")
    long_ago = NOON - dt.timedelta(days=40)
    for promised in (TODAY, TODAY - dt.timedelta(days=1), TODAY - dt.timedelta(days=9)):
        job = a_job(branch, promised)
        type(job.order).unscoped.filter(pk=job.order_id).update(placed_at=long_ago)
    an_order(branch, state="ready", ready_at=long_ago, placed_at=long_ago)


def text_of(response) -> str:
    assert response.status_code == 200, response.content
    return response.content.decode()


def test_a_stranger_is_led_to_sign_in():
    for path in ("/office/", "/office/alerts/", "/office/reports/", "/bench/", "/bench/MILL/"):
        response = Client().get(path)
        assert (response.status_code, response["Location"]) == (302, f"/sign-in/?next={path}")


def test_who_must_show_a_second_factor_and_has_not_is_a_stranger(head_office):
    browser = Client()
    browser.force_login(head_office)
    assert browser.get("/office/").status_code == 302


def test_the_figures_of_a_day_counted_by_hand(mill, quay, head_office, actor_of):
    busy(mill)
    found = today(actor_of(head_office))
    here, there = found.branches
    assert (here.orders, here.order_value, here.curve[-3:]) == (2, Decimal("440.00"), [0, 1, 2])
    assert (here.jobs_due, here.jobs_overdue, here.uncollected) == (1, 2, 1)
    assert here.uncollected_since == (NOON - dt.timedelta(days=40)).date()
    assert (there.orders, there.jobs_overdue, there.curve[-1]) == (0, 0, 0)
    assert found.money("order_value") == {"GBP": Decimal("440.00")}
    assert found.days()[-2:] == [(dt.date(2026, 3, 1), 1), (TODAY, 2)]


def test_each_branch_keeps_its_own_day_and_money(mill, head_office, actor_of):
    """At 12:00 UTC it is already 01:00 of the 3rd in Auckland (UTC+13 in March: IANA zone Pacific/Auckland)."""
    far = BranchFactory(code="FAR", time_zone="Pacific/Auckland", currency="NZD")
    an_order(far, placed_at=dt.datetime(2026, 3, 2, 10, 59, tzinfo=dt.UTC))
    an_order(far, placed_at=dt.datetime(2026, 3, 2, 11, 1, tzinfo=dt.UTC))
    an_order(mill)
    found = today(actor_of(head_office))
    assert [(each.code, each.day.day, each.orders) for each in found.branches] == [("FAR", 3, 1), ("MILL", 2, 1)]
    assert list(found.money("order_value")) == ["GBP", "NZD"]


def test_a_branch_role_sees_its_branch_and_no_byte_of_the_other(mill, quay, manager, outsider):
    busy(mill)
    busy(quay)
    alert_services.alerts_evaluate(actor=system("test"))
    for user, own, other in ((manager, mill, quay), (outsider, quay, mill)):
        browser = signed_in(user)
        pages = [text_of(browser.get(path)) for path in ("/office/", "/office/alerts/", f"/bench/{own.code}/")]
        assert own.code in pages[0]
        for page in pages:
            assert other.code not in page
            assert str(other.id) not in page
            assert other.name not in page
        for path in (f"/bench/{other.code}/", f"/office/alerts/?branch={other.code}"):
            refused = browser.get(path)
            assert refused.status_code == 404
            assert other.name not in refused.content.decode()
            assert str(other.id) not in refused.content.decode()


def test_what_one_sees_is_not_kept_for_another(mill, quay, manager, outsider):
    assert "MILL" in text_of(signed_in(manager).get("/office/"))
    page = text_of(signed_in(outsider).get("/office/"))
    assert "QUAY" in page
    assert "MILL" not in page


def test_what_may_not_be_seen_is_left_open_and_never_nought(mill, bookkeeper, hand, actor_of):
    busy(mill)
    [books] = today(actor_of(bookkeeper)).branches
    assert (books.orders, books.jobs_due, books.alerts, books.deposits) == (None, None, None, Decimal(0))
    [bench] = today(actor_of(hand)).branches
    assert (bench.orders, bench.deposits, bench.appointments) == (2, None, None)
    page = text_of(signed_in(bookkeeper).get("/office/"))
    assert "Orders today" not in page
    assert "Deposits held" in page
    assert signed_in(bookkeeper).get("/office/alerts/").status_code == 403


def test_alerts_are_told_by_need_with_owner_and_age_and_written_down_as_read(mill, head_office):
    busy(mill)
    alert_services.alerts_evaluate(actor=system("test"))
    page = text_of(signed_in(head_office).get("/office/"))
    assert "Nobody has taken it up; it is for workshop." in page
    assert page.index("To be seen to now") < page.index("To be seen to today")
    assert re.search(r"for \d+ days", page)
    for link in re.findall(r'<a href="(/api/v1/jobs/[^"?]+)"', page):
        assert signed_in(head_office).get(link).status_code == 200
    read = AuditRead.objects.filter(kind="alerts_alert").latest("id")
    assert (read.actor_label, read.status) == (str(head_office), 200)
    assert read.ids


def test_every_drill_down_leads_to_records(mill, head_office, bench: Bench):
    browser = signed_in(head_office)
    links = {
        link.replace("&amp;", "&") for link in re.findall(r'href="(/api/[^"]+)"', text_of(browser.get("/office/")))
    }
    assert len(links) >= 3
    for link in links:
        assert browser.get(link).status_code == 200, link
    orders = f"/api/v1/orders/?branch={mill.id}&placed_from={TODAY}&placed_to={TODAY}"
    assert orders in links
    assert [row["id"] for row in browser.get(orders).json()["results"]] == [str(bench.job.order_id)]


def test_a_day_is_compared_with_as_much_of_the_same_weekday_a_week_ago(mill, head_office, actor_of):
    """By hand, at 12:00 of a Monday in London: a week ago two orders by noon and one after; one on the day between.
    In New York the clocks change on 8 March 2026 (IANA): 13:00 is 17:00 UTC after it, and was 18:00 UTC before."""
    a_week = dt.timedelta(days=7)
    for at in (NOON - a_week, NOON - a_week - dt.timedelta(hours=3), NOON - a_week + dt.timedelta(minutes=1)):
        an_order(mill, placed_at=at)
    an_order(mill, placed_at=NOON - dt.timedelta(days=6))
    [here] = today(actor_of(head_office)).branches
    assert (here.orders, here.orders_before, here.order_value_before) == (0, 2, Decimal("440.00"))
    assert "2 by this time a week ago" in text_of(signed_in(head_office).get("/office/"))
    Branch.objects.filter(pk=mill.pk).update(time_zone="America/New_York")
    for minutes in (-1, 1):
        an_order(mill, placed_at=dt.datetime(2026, 3, 3, 18, 0, tzinfo=dt.UTC) + dt.timedelta(minutes=minutes))
    with clock.at(dt.datetime(2026, 3, 10, 17, 0, tzinfo=dt.UTC)):
        [there] = today(actor_of(head_office)).branches
    assert there.orders_before == 1


@pytest.fixture
def two_hundred(mill):
    """Mill, and 199 branches of which the last has a job overdue."""
    rows = [
        Branch(code=f"N{number:03}", name=f"Shop {number} (invented)", currency="GBP", country="GB")
        for number in range(199)
    ]
    a_job(Branch.objects.bulk_create(rows)[-1], TODAY - dt.timedelta(days=3))


def test_two_hundred_branches_cost_no_more_and_are_read_page_by_page(mill, head_office, queries, request):
    browser = signed_in(head_office)
    browser.get("/office/")
    cache.clear()
    one = queries(lambda: browser.get("/office/"))
    request.getfixturevalue("two_hundred")
    cache.clear()
    assert queries(lambda: browser.get("/office/")) == one
    page = text_of(browser.get("/office/"))
    assert "Page 1 of 8" in page
    assert page.count('scope="row"') == 25
    assert "N198" not in page
    assert "N198" in text_of(browser.get("/office/", {"page": "8"}))
    assert '<th role="rowheader" scope="row">N198' in text_of(browser.get("/office/", {"order": "need"}))
    found = text_of(browser.get("/office/", {"find": " n017 "}))
    assert re.findall(r'scope="row">(\w+)', found) == ["N017"]
    assert "No branch is called so." in text_of(browser.get("/office/", {"find": "nowhere"}))
    for odd in ("0", "9", "-1", "x", "\x00", "9" * 400):
        assert browser.get("/office/", {"page": odd, "order": odd, "find": odd}).status_code == 200
    overdue = html.unescape(
        re.findall(r'href="(/api/v1/jobs/[^"]+)"', text_of(browser.get("/office/", {"order": "need"})))[0]
    )
    assert len(browser.get(overdue).json()["results"]) == 1


def test_the_number_of_queries_is_that_of_one_branch(mill, head_office, actor_of, queries):
    actor = actor_of(head_office)
    busy(mill)
    one = queries(lambda: today(actor))
    for number in range(25):
        busy(BranchFactory(code=f"N{number}", time_zone=("Europe/London", "Europe/Dublin")[number % 2]))
    assert queries(lambda: today(actor)) == one <= 8


def test_figures_are_kept_for_a_moment(mill, head_office, queries):
    browser = signed_in(head_office)
    first = queries(lambda: browser.get("/office/"))
    assert queries(lambda: browser.get("/office/")) < first


@pytest.mark.parametrize("report", all_reports(), ids=lambda report: report.key)
def test_every_report_is_a_page_and_a_file(mill, head_office, report):
    busy(mill)
    browser = signed_in(head_office)
    page = text_of(browser.get(f"/office/reports/{report.key}/", {"compare": "year_before"}))
    assert all(column.definition in html.unescape(page) for column in report.columns)
    file = browser.get(f"/office/reports/{report.key}.csv")
    assert file["Content-Type"].startswith("text/csv")
    named = file.content.decode().splitlines()[0].split(",")
    assert [name for name in named[1:] if name in {column.key for column in report.columns}] == [
        column.key for column in report.columns
    ]
    assert "currency" in named or all(column.kind != "money" for column in report.columns)


def test_amounts_say_their_currency_on_the_page_and_in_the_file(mill, head_office):
    for branch in (mill, BranchFactory(code="FAR", currency="NZD")):
        an_order(branch, state="ready", ready_at=NOON - dt.timedelta(days=3))
    browser = signed_in(head_office)
    page = text_of(browser.get("/office/reports/uncollected/"))
    assert "220.00 GBP" in page
    assert "220.00 NZD" in page
    assert {
        line.split(",")[1] for line in browser.get("/office/reports/uncollected.csv").content.decode().splitlines()
    } == {
        "currency",
        "GBP",
        "NZD",
    }


def test_a_chart_is_drawn_from_the_rows_of_the_table_and_asks_for_nothing_more(mill, quay, head_office, monkeypatch):
    """By hand: two pairs lie at Mill and one at Quay, whose bar is half as long; the period before had none."""
    for branch in (mill, mill, quay):
        an_order(branch, state="ready", ready_at=NOON - dt.timedelta(days=3))
    asked = []
    found_for = views.found_for
    monkeypatch.setattr(views, "found_for", lambda question: asked.append(question) or found_for(question))
    page = text_of(signed_in(head_office).get("/office/reports/uncollected/", {"by": "branch"}))
    assert re.findall(r'<rect width="([\d.]+)" height="10" class="s0"', page) == ["100.00", "50.00"]
    assert "<img" not in page
    assert len(asked) == 1


def test_groups_in_time_are_columns_with_a_mark_for_the_period_before(mill, head_office):
    """By hand: 1, 2 and 0 orders on three days; the three days before had 2 on their second."""
    for day, count in ((0, 0), (1, 2), (2, 1), (4, 2)):
        for _ in range(count):
            an_order(mill, placed_at=NOON - dt.timedelta(days=day))
    asked = {"since": "2026-02-28", "until": "2026-03-02", "by": "day", "compare": "previous"}
    page = text_of(signed_in(head_office).get("/office/reports/orders-placed/", asked))
    heights = re.findall(r'y="([\d.]+)" width="[\d.]+" height="([\d.]+)" class="s0"', page)
    assert heights == [("65.00", "65.00"), ("0.00", "130.00"), ("130.00", "0.00")]
    assert re.findall(r'y="([\d.]+)" width="[\d.]+" height="1.6" class="was"', page) == ["0.00"]


def test_a_margin_that_is_not_told_says_of_how_many_pairs_the_cost_is_missing(mill, head_office):
    """Two pairs were supplied whose lenses and frames were never in stock."""
    for price in ("120", "240"):
        supplied(mill, 0, price)
    page = text_of(signed_in(head_office).get("/office/reports/sales-and-margin/"))
    assert page.count("the cost of 2 of 2 pairs is not known") == 4  # margin and its share, of the branch and of all


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ({"since": "2026-03-02", "until": "2026-03-01"}, 400),
        ({"since": "yesterday"}, 422),
        ({"since": "2020-01-01"}, 400),
        ({"by": "colour"}, 400),
        ({"compare": "next"}, 422),
        ({"branch": "NONE"}, 404),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_in_words(mill, head_office, asked, status):
    response = signed_in(head_office).get(f"/office/reports/{all_reports()[0].key}/", asked)
    assert response.status_code == status, response.content
    assert 'role="alert"' in response.content.decode()


def test_reports_are_for_who_may_see_them_and_of_their_branch(mill, quay, manager, hand):
    key = "right-first-time"  # needs quality.figures, which a workshop hand does not hold
    assert signed_in(hand).get(f"/office/reports/{key}/").status_code == 403
    browser = signed_in(manager)
    assert "QUAY" not in text_of(browser.get(f"/office/reports/{key}/"))
    assert browser.get(f"/office/reports/{key}/", {"branch": "QUAY"}).status_code == 404
    assert browser.get("/office/reports/no-such/").status_code == 404


def test_the_policy_lets_nothing_in_from_elsewhere(mill, head_office):
    for path in ("/office/", "/office/alerts/", "/office/reports/", "/bench/MILL/"):
        response = signed_in(head_office).get(path)
        said = response["Content-Security-Policy"]
        assert "default-src 'none'" in said
        assert "unsafe" not in said
        assert "http" not in said
        assert response["Cache-Control"] == "no-store" or "no-store" in response["Cache-Control"]
        page = text_of(response)
        assert "<style" not in page
        assert not re.search(r"<[a-z]+\s[^>]*\s(style|on[a-z]+)=", page)
        assert not re.search(r"<script(?![^>]*\bsrc=)", page)


def test_pages_are_well_formed(mill, head_office):
    """By libxml2's parser of XML: every tag closed, every attribute quoted, each id once. Void elements of HTML are
    closed for it first."""
    from lxml import etree

    busy(mill)
    alert_services.alerts_evaluate(actor=system("test"))
    for path in (
        "/office/",
        "/office/alerts/",
        "/office/reports/",
        "/bench/",
        "/bench/MILL/",
        "/bench/MILL/tray?code=9",
    ):
        page = signed_in(head_office).get(path, follow=True).content.decode()
        body = re.sub(r"<(meta|link|input)([^>]*?)/?>", r"<\1\2/>", page.replace("<!doctype html>", ""))
        body = re.sub(r" (required|autofocus|selected|defer|hidden)(?=[ />])", r' \1=""', body)
        tree = etree.parse(io.BytesIO(body.encode()))
        ids = tree.xpath("//@id")
        assert len(ids) == len(set(ids)), path


def test_a_name_in_a_page_is_text(mill, head_office):
    Branch.objects.filter(pk=mill.pk).update(name="<b>Millrace</b> & Co")
    page = text_of(signed_in(head_office).get("/office/"))
    assert "&lt;b&gt;Millrace&lt;/b&gt; &amp; Co" in page


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "just now"), (59, "just now"), (60, "1 minute"), (7199, "1 hour"), (86400, "1 day"), (200000, "2 days")],
)
def test_ages_in_words(seconds, words):
    assert age_words(dt.timedelta(seconds=seconds)) == words


def test_a_bar_is_as_tall_as_its_count():
    days = [(dt.date(2026, 3, 1) + dt.timedelta(days=n), n) for n in range(3)]
    tall = [float(each) for each in re.findall(r'height="([\d.]+)"', drawing.day_bars(days, "T", "w"))]
    assert tall[0] == 0
    assert tall[2] == pytest.approx(2 * tall[1])


def test_a_screen_that_looks_by_itself_keeps_no_session_alive(mill, hand, settings):
    browser = Client()
    browser.force_login(hand)
    for minutes in range(3, settings.OPTICSHOP_SESSION_IDLE_SECONDS // 60, 3):
        with clock.at(NOON + dt.timedelta(minutes=minutes)):
            looked = browser.get("/bench/MILL/columns", headers={"X-Looked-By-Itself": "1"})
            assert looked.status_code == 200
    over = NOON + dt.timedelta(seconds=settings.OPTICSHOP_SESSION_IDLE_SECONDS + 1)
    with clock.at(over):
        assert browser.get("/bench/MILL/columns").status_code == 302
