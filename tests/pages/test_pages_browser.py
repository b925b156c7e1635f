"""The pages in a real Chromium: accessibility by axe-core (Deque's rules for WCAG 2.0 to 2.2, A and AA, and its best
practices), no error in the console, no sideways scrolling at 320 px (WCAG 2.2, 1.4.10), the scan, signing in.

OPTICSHOP_SHOTS names a folder into which each page is drawn, to be looked at.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import time
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.hashers import make_password
from django.core.cache import cache

from opticshop.accounts import services as account_services
from opticshop.accounts.models import OperatorPin
from opticshop.alerts import services as alert_services
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.correspondence.unsubscribing import Wish, token_for
from opticshop.instruments.models import Instrument
from opticshop.workshop.models import ORDINARY_STEPS, Job
from tests.alerts.conftest import a_job, an_order
from tests.conftest import member
from tests.factories import LensProductFactory
from tests.signing_in import shown_key, signed_in, totp

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PASSWORD = "a-long-invented-sentence-7"
#: (name, width, colour scheme)
SIGHTS = (("desktop", 1280, "light"), ("dark", 1280, "dark"), ("phone", 320, "light"), ("phone-dark", 320, "dark"))


@pytest.fixture(autouse=True)
def steady_clock() -> dt.datetime:
    """The server runs in a thread of its own, by the real clock; so does the test."""
    cache.clear()
    return dt.datetime.now(dt.UTC)


@pytest.fixture
def axe() -> str:
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture
def opened(browser: Any, live_server: Any) -> Iterator[Callable[..., Any]]:
    """``opened(user)`` is a page in a browser of its own, signed in; what its console says is in ``page.said``."""
    contexts = []

    def open_page(user: Any = None, width: int = 1280, scheme: str = "light") -> Any:
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, base_url=live_server.url, locale="en-GB"
        )
        contexts.append(context)
        if user is not None:
            value = signed_in(user).cookies["session"].value
            context.add_cookies([{"name": "session", "value": value, "url": live_server.url}])
        page = context.new_page()
        page.said = []
        page.on("console", lambda message: page.said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: page.said.append(str(error)))
        return page

    yield open_page
    for context in contexts:
        context.close()


def faults(page: Any, axe: str) -> list[str]:
    """What axe-core finds wrong, one line a rule and place. The policy of the page does not hold the driver back."""
    page.evaluate(axe)
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    return [f"{rule['id']}: {node['html'][:160]}" for rule in found["violations"] for node in rule["nodes"]]


def look(page: Any, axe: str, name: str, sight: str) -> list[str]:
    """The faults of the page as it stands, with the console's and the sideways scroll; drawn where that is asked."""
    if folder := os.environ.get("OPTICSHOP_SHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=f"{folder}/{name}-{sight}.png", full_page=True)
    told = [*faults(page, axe), *(f"console: {words}" for words in page.said)]
    wide, room = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    return [f"{name} {sight}: {each}" for each in told + ([f"{wide} px wide in {room}"] if wide > room else [])]


def with_steps(job: Job) -> Job:
    for position, kind in enumerate(ORDINARY_STEPS, start=1):
        job.steps.create(position=position, kind=kind)
    return job


@pytest.fixture
def shop(mill: Any, quay: Any) -> list[Job]:
    """A fortnight of two invented branches, by the real clock. The first job waits to be read, the last but one to be
    inspected."""
    today, now = clock.today(mill.time_zone), clock.now()
    for branch, many in (
        (mill, (3, 5, 4, 6, 2, 0, 4, 5, 3, 7, 4, 0, 6, 4)),
        (quay, (1, 2, 2, 3, 1, 0, 2, 2, 4, 3, 1, 0, 2, 3)),
    ):
        for back, count in enumerate(reversed(many)):
            for _ in range(count):
                an_order(branch, placed_at=clock.now() - dt.timedelta(days=back, minutes=5), promised_on=today)
    jobs = [with_steps(a_job(mill, today + dt.timedelta(days=days))) for days in (-3, -1, 0, 0, 1, 2, 5)]
    for done, job in enumerate(jobs):
        job.steps.filter(position__lte=done).update(state="done", done_at=clock.now())
    Job.unscoped.filter(pk=jobs[2].pk).update(state="stopped", stop_reason="The frame is cracked (invented)")
    an_order(mill, state="ready", ready_at=clock.now() - dt.timedelta(days=30))
    jobs.insert(-1, with_steps(a_job(mill, today)))
    jobs[-2].steps.filter(kind__in=ORDINARY_STEPS[: ORDINARY_STEPS.index("inspect")]).update(state="done", done_at=now)
    product = LensProductFactory()
    for job in (jobs[0], *jobs[-2:]):
        for eye in ("right", "left"):
            job.order.lenses.create(
                eye=eye,
                product=product,
                sphere_dpt="-2.25",
                cylinder_dpt="-0.50",
                axis_deg=90,
                centration_distance_mm="31.5",
                centration_height_mm="20.0",
            )
    Job.unscoped.filter(pk__in=[job.pk for job in (jobs[0], *jobs[-2:])]).update(eyes=["right", "left"])
    Instrument.objects.create(branch=mill, kind="focimeter", name="Focimeter 1 (invented)")
    alert_services.alerts_evaluate(actor=system("test"))
    return jobs


def test_every_page_is_clean_in_every_sight(opened, axe, shop, mill, head_office, hand):
    reading, inspecting, job = (f"/bench/MILL/jobs/{shop[place].number}/" for place in (0, -2, -1))
    invited = account_services.invitation_make(actor=system("test"), user=member("new", "counter", mill))
    stop = token_for(Wish(shop[0].order.customer_id, "recall", "email"))
    ours = {
        "office": "/office/",
        "alerts": "/office/alerts/",
        "reports": "/office/reports/",
        "report": "/office/reports/uncollected/?compare=previous",
        "workshops": "/bench/",
        "board": "/bench/MILL/",
        "job": job,
        "screen": "/bench/MILL/screen/",
        "trend": "/office/reports/orders-placed/?by=day&compare=previous",
        "spread": "/office/reports/recall-return/",
        "by-need": "/office/?order=need&find=l",
        "not-there": "/bench/NONE/",
        "second-factor": "/second-factor/",
        "password": "/password/",
        "front": "/",
        "problems": "/problems/",
    }
    told = []
    for sight, width, scheme in SIGHTS:
        page = opened(head_office, width, scheme)
        for name, path in ours.items():
            page.said.clear()
            page.goto(path)
            told += [each for each in look(page, axe, name, sight) if name != "not-there" or "404" not in each]
        worker = opened(hand, width, scheme)
        for name, path, button in (
            ("reading", reading, "Judge the left lens"),
            ("inspecting", inspecting, "Judge the pair"),
        ):
            worker.goto(path)
            assert worker.get_by_role("button", name=button).is_visible()
            told += look(worker, axe, name, sight)
        stranger = opened(None, width, scheme)
        for name, path in {
            "sign-in": "/sign-in/",
            "welcome": "/" + invited.url.partition("://")[2].partition("/")[2],
            "unsubscribe": f"/unsubscribe/{stop}",
        }.items():
            stranger.goto(path)
            told += look(stranger, axe, name, sight)
    assert not told, "\n".join(told)


def test_a_lens_is_read_by_keys_alone_and_a_slip_is_told_at_its_field(opened, axe, shop, hand):
    job = shop[0]
    for sight, width, scheme in (SIGHTS[0], SIGHTS[3]):
        page = opened(hand, width, scheme)
        page.goto(f"/bench/MILL/jobs/{job.number}/")
        page.locator("#right-sphere_dpt").focus()
        for typed in ("-2.25", "-0.50", "270"):
            page.keyboard.type(typed)
            page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.locator("#right-axis_deg-error").wait_for()
        assert page.locator("#right-sphere_dpt").input_value() == "-2.25"
        page.said.clear()  # the console tells of the 400
        assert not look(page, axe, "reading-refused", sight)
    page.locator("#right-axis_deg").fill("90")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name=re.compile("^Right lens, read")).wait_for()
    assert job.readings.get().outcome == "pass"
    assert not look(page, axe, "reading-judged", sight)


def test_a_pair_that_fails_shows_its_verdict_in_every_sight(opened, axe, shop, hand):
    job = shop[-2]
    page = opened(hand)
    page.goto(f"/bench/MILL/jobs/{job.number}/")
    for eye, sphere in (("right", "-2.75"), ("left", "-2.25")):
        for name, value in (("sphere", sphere), ("cylinder", "-0.50")):
            page.locator(f"#{eye}-{name}_dpt").fill(value)
        page.locator(f"#{eye}-axis_deg").fill("90")
    for choice in page.get_by_label("In order", exact=True).all():
        choice.check()
    page.get_by_role("button", name="Judge the pair").click()
    page.get_by_role("heading", name=re.compile("^Last inspection")).wait_for()
    job.refresh_from_db()
    assert job.state == "stopped"
    told = look(page, axe, "failed", "desktop")
    for sight, width, scheme in SIGHTS[1:]:
        other = opened(hand, width, scheme)
        other.goto(page.url)
        told += look(other, axe, "failed", sight)
    assert not told, "\n".join(told)


def test_a_shared_screen_is_taken_over_by_pin_and_left(opened, axe, shop, mill, hand):
    made = account_services.service_account_create(
        actor=system("test"),
        name="screen",
        role="workshop",
        branches=[mill],
        scopes=["workshop:read", "workshop:write"],
        expires_on=clock.now().date(),
    )
    OperatorPin.objects.create(user=hand, secret=make_password("480917"))
    page = opened(hand)
    page.goto("/bench/MILL/screen/")
    page.get_by_label("Client id of the screen").fill(made.account.application.client_id)
    page.get_by_label("Its secret").fill(made.client_secret)
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Take over").wait_for()
    assert not look(page, axe, "screen-idle", "desktop")
    page.get_by_role("link", name=re.compile(shop[0].number)).click()
    page.wait_for_url("**/operator/**")
    assert page.evaluate("document.activeElement.id") == "username"
    page.keyboard.type(hand.username)
    page.keyboard.press("Tab")
    page.keyboard.type("111222")
    page.keyboard.press("Enter")
    page.locator("#pin-error").wait_for()
    page.said.clear()
    page.set_viewport_size({"width": 320, "height": 900})
    assert not look(page, axe, "operator-refused", "phone")
    page.keyboard.type("480917")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/jobs/{shop[0].number}/")
    assert not look(page, axe, "screen-job", "phone")
    page.get_by_role("button", name="Leave").click()
    page.get_by_role("link", name="Take over").wait_for()


def test_signing_in_with_the_second_step_leads_to_the_day(opened, axe, shop, head_office):
    head_office.set_password(PASSWORD)
    head_office.save()
    page = opened()
    page.goto("/office/")
    assert "/sign-in/" in page.url
    page.keyboard.press("Tab")
    page.get_by_label("User name").fill(head_office.username)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/second-factor/new/**")
    assert not look(page, axe, "second-factor-new", "desktop")
    key = shown_key(page.content().encode())
    page.get_by_label("Code").fill(totp(key, time.time()))
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Recovery codes").wait_for()
    assert not look(page, axe, "recovery-codes", "desktop")
    page.get_by_role("link", name="I have them").click()
    page.get_by_role("heading", name="Today at every branch").wait_for()
    page.get_by_role("button", name="Sign out").click()
    page.goto("/office/")
    assert "/sign-in/" in page.url
    assert page.said == []


def test_a_scan_opens_the_job_and_the_next_step_is_done_by_keys_alone(opened, shop, hand):
    job = shop[-1]
    page = opened(hand)
    page.goto("/bench/MILL/")
    assert page.evaluate("document.activeElement.id") == "scan-code"
    page.keyboard.type(job.number.lower())
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/jobs/{job.number}/")
    assert page.evaluate("document.activeElement.id") == "scan-code"
    button = page.get_by_role("button", name=re.compile("^Start: "))
    button.focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name=re.compile("^Finish: ")).wait_for()
    assert job.steps.get(position=7).state == "started"
    page.get_by_role("heading", name="Steps").click()
    assert page.evaluate("document.activeElement.id") == "scan-code"
    page.keyboard.type("no such tray")
    page.keyboard.press("Enter")
    page.get_by_role("alert").wait_for()
    assert page.evaluate("document.activeElement.id") == "scan-code"


def test_the_screen_looks_again_without_losing_what_was_typed(opened, shop, hand, mill):
    page = opened(hand)
    page.goto("/bench/MILL/")
    page.clock.install()
    page.goto("/bench/MILL/")
    page.keyboard.type("0042")
    card = page.get_by_role("link").filter(has_text=shop[-1].number)
    assert card.count() == 1
    Job.unscoped.filter(pk=shop[-1].pk).update(state="stopped", stop_reason="A word of now (invented)")
    with page.expect_response("**/columns"):
        page.clock.run_for(21_000)
    page.get_by_text("A word of now (invented)").wait_for()
    assert page.locator("#scan-code").input_value() == "0042"
    assert page.evaluate("document.activeElement.id") == "scan-code"
    # A key pressed while a card has the focus goes into the field, after what stands there.
    page.get_by_role("link").filter(has_text=shop[-1].number).focus()
    page.keyboard.type("7")
    assert page.locator("#scan-code").input_value() == "00427"
    with page.expect_response("**/columns") as second:
        page.clock.run_for(21_000)
    assert second.value.status == 304
    page.context.clear_cookies()
    with page.expect_response("**/columns"):
        page.clock.run_for(21_000)
    page.get_by_text("You are signed out.").wait_for()
    assert page.locator("#scan-code").input_value() == "00427"
    assert not [words for words in page.said if "304" not in words]


def test_everything_works_without_a_script(browser, live_server, shop, hand):
    value = signed_in(hand).cookies["session"].value
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    context.add_cookies([{"name": "session", "value": value, "url": live_server.url}])
    page = context.new_page()
    page.goto("/bench/MILL/")
    page.get_by_label("Scan a tray").fill(shop[-1].number)
    page.keyboard.press("Enter")
    page.get_by_role("button", name=re.compile("^Start: ")).click()
    page.get_by_role("button", name=re.compile("^Finish: ")).wait_for()
    page.goto(f"/bench/MILL/jobs/{shop[0].number}/")
    page.locator("#left-sphere_dpt").fill("-2.25")
    page.locator("#left-cylinder_dpt").fill("-0.50")
    page.locator("#left-axis_deg").fill("90")
    page.get_by_role("button", name="Judge the left lens").click()
    page.get_by_role("heading", name=re.compile("^Left lens, read")).wait_for()
    context.close()


def test_a_printed_day_has_figures_and_no_buttons(opened, shop, head_office):
    page = opened(head_office)
    page.goto("/office/")
    page.emulate_media(media="print")
    assert page.get_by_role("table").is_visible()
    assert not page.get_by_role("button", name="Sign out").is_visible()


def test_the_pages_for_the_back_office_and_the_documentation_open(opened, head_office):
    """Made by libraries; opened for errors in the console. What axe says of them is theirs."""
    head_office.is_staff = head_office.is_superuser = True
    head_office.save()
    page = opened(head_office)
    for path in ("/admin/", "/docs/", "/docs/reference/"):
        page.goto(path)
        page.wait_for_load_state("networkidle")
        assert page.said == [], path
    assert json.loads(page.evaluate("JSON.stringify(document.title)"))
