"""One pair from the order to the recall with the installed plugins, through the API: nothing is replaced or imitated.

Tolerances: ISO 8980-1:2017 uncut and ISO 21987:2017 mounted as the plugins carry them; messages: the console channel;
recall: at the expiry of the prescription.
"""

from __future__ import annotations

import json

import pytest

from opticshop.core import outbox
from opticshop.core.duties import run_duty
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.stock.selectors import ledger_differences
from tests.quality.conftest import HANDOVERS, SEEN, inspect, pay

pytestmark = pytest.mark.django_db


def test_one_pair_from_the_order_to_the_recall(api, clerk, hand, bench, order, world, capsys):
    # The right lens was dotted at the wrong axis: 4 degrees off, limit 3. It is read again in the right position.
    off = bench.done("verify", {"eye": "right", "sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 174})
    assert off["job"]["state"] == "stopped"
    bench.done("resume", {"note": "Lens turned in the holder"})
    bench.verify()

    # The left lens chips on the edger; the one in the drawer takes its place and is read.
    bench.work("mark_up", "trace", "block")
    bench.done("steps/edge/start")
    assert bench.done("break-lens", {"eye": "left", "step": "edge", "reason": "Chipped"})["replaced"] is True
    bench.verify("left")
    for kind in ("mark_up", "trace"):
        bench.done(f"steps/{kind}/skip", {"note": "The frame was traced before"})
    bench.work("block", "edge", "hand_edge", "glaze")

    # The first inspection finds the axis slipped and a scratch; back to the edger.
    failed = inspect(
        bench.client,
        bench.job_id,
        right={"axis_deg": 176},
        visual={**SEEN, "surfaces": {"ok": False, "note": "fine scratch, left"}},
        redo_from="block",
    ).json()
    assert (failed["outcome"], len(failed["reasons"])) == ("fail", 2)
    bench.done("resume", {"note": "Axis corrected, left lens polished"})
    bench.work("block", "edge", "hand_edge", "glaze")
    passed = inspect(bench.client, bench.job_id, pair={"centre_distance_mm": "65.2"}).json()
    assert passed["outcome"] == "pass"
    bench.work("set_up", "pack")

    # The wearer is told, on the console.
    outbox.deliver_all()
    capsys.readouterr()
    assert run_duty("correspondence.send_due") == 1
    told = json.loads(capsys.readouterr().out.strip().splitlines()[-1])
    assert order["number"] in told["subject"]
    [message] = api(clerk).get(f"/api/v1/messages/?subject_ref=orders/{order['id']}").json()["results"]
    assert (message["state"], message["id"]) == ("sent", told["id"])

    # Paid in two parts, collected once.
    pay(api(clerk), order, "100.00")
    assert api(clerk).post(HANDOVERS, {"order": order["id"]}).json()["due"] == "120.00"
    pay(api(clerk), order, "120.00")
    handover = api(clerk).post(HANDOVERS, {"order": order["id"], "advice": ["Fit checked"]})
    assert handover.status_code == 201, handover.content
    assert handover.json()["inspection"] == passed["id"]
    outbox.deliver_all()

    [recall] = api(clerk).get(f"/api/v1/recalls/?customer={world.customer.id}").json()["results"]
    assert (recall["due_on"], recall["policy"]) == ("2028-01-01", "prescription-expiry")

    job = api(hand).get(bench.url).json()
    assert (job["state"], job["attempt"]) == ("finished", 1)
    assert [lost["eye"] for lost in job["breakages"]] == ["left"]
    assert len(job["readings"]) == 4
    assert not ledger_differences()
    assert not EventDelivery.objects.exclude(state="done").exists()
    story = [kind for kind in OutboxEvent.objects.order_by("id").values_list("type", flat=True) if "step" not in kind]
    assert [kind for kind in story if not kind.startswith(("stock.", "billing.", "customers.", "ledger."))] == [
        "orders.placed",
        "orders.in_workshop",
        "workshop.job_opened",
        "workshop.lens_read",
        "workshop.job_resumed",
        "workshop.lens_read",
        "workshop.lens_read",
        "workshop.lens_broken",
        "workshop.lens_read",
        "workshop.job_stopped",
        "quality.inspected",
        "workshop.job_resumed",
        "workshop.job_inspected",
        "quality.inspected",
        "orders.ready",
        "workshop.job_finished",
        "correspondence.queued",
        "correspondence.sent",
        "orders.collected",
        "quality.handed_over",
        "reminders.recall_planned",
    ]
    assert story.count("ledger.entry_posted") == 3  # the deposit, the balance, the supply
