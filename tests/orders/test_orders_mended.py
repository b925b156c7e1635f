"""What a review found wrong once, and must not go wrong again."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.accounts.access import actor_for
from opticshop.core import idempotency
from opticshop.orders.models import Order
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import measure, prescribe

pytestmark = pytest.mark.django_db
URL = "/api/v1/orders/"


def refused(response, status, code):
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    assert not Order.objects.everywhere("test").exists()
    return response.json()


def test_a_token_without_reading_scope_gets_the_answer_of_the_order_it_placed(api, clerk, world, monkeypatch):
    narrow = {"orders:write", "customers:read", "prescriptions:read", "branches:read", "catalogue:read"}
    monkeypatch.setattr("opticshop.accounts.access.actor_from_request", lambda request: actor_for(clerk, narrow))
    answer = api(clerk).post(URL, world.body())
    assert answer.status_code == 201, answer.content
    assert Order.objects.everywhere("test").count() == 1


def test_an_answer_that_cannot_be_kept_undoes_the_write(api, clerk, world, monkeypatch):
    """The answer is stored in the transaction of the write itself."""

    def fail(*args, **kwargs):
        raise RuntimeError

    monkeypatch.setattr(idempotency, "store_answer", fail)
    assert api(clerk).post(URL, world.body(), headers={"Idempotency-Key": "k"}).status_code == 500
    assert not Order.objects.everywhere("test").exists()
    monkeypatch.undo()
    assert api(clerk).post(URL, world.body(), headers={"Idempotency-Key": "k"}).status_code == 201


def test_a_binocular_near_pd_keeps_the_asymmetry_of_the_far_one(api, clerk, world):
    """Far 34 / 30, near 60 together: each eye turns in by 2, so 32 / 28 (geometry, trade dossier 2)."""
    world.measurement = measure(
        world.customer, frame=world.frame, pd_right_mm=34, pd_left_mm=30, pd_mm=64, near_pd_mm=60
    )
    world.stock_lens("-2.00", "-1.00"), world.stock_lens("-2.50", "0.00")
    quote = api(clerk).post(f"{URL}quote/", world.body(purpose="near"))
    assert quote.status_code == 200, quote.content
    order = api(clerk).post(URL, world.body(purpose="near")).json()
    assert [lens["centration_distance_mm"] for lens in order["lenses"]] == ["32.0", "28.0"]


def test_the_power_to_supply_is_the_nearest_step(api, clerk, world):
    """-6.50 D from 12 to 15 mm is -6.63 D (effectivity, optics dossier 5): -6.75 is nearer than -6.50."""
    world.prescription = prescribe(
        world.customer, right=("-6.50", "0", None, None), left=("-6.50", "0", None, None), vertex=12
    )
    world.measurement = measure(world.customer, frame=world.frame, vertex_distance_mm=15)
    world.stock_lens("-6.75", "0.00")
    order = api(clerk).post(URL, world.body()).json()
    assert [lens["sphere_dpt"] for lens in order["lenses"]] == ["-6.75", "-6.75"]


def test_what_leaving_the_centre_undecentred_would_cost_has_the_right_sign(api, clerk, world):
    """A minus lens whose optical centre lies temporally of the pupil has its base in: -F o / 10 (optics dossier 9)."""
    left = api(clerk).post(f"{URL}quote/", world.body()).json()["computation"]["left"]
    assert left["prism_without_decentration_in_dpt"] == pytest.approx(4.5 * 2 / 10, abs=0.001)


def test_a_prescription_for_near_holds_the_near_power_and_says_nothing_of_the_distance(api, clerk, world):
    world.prescription = prescribe(world.customer, right=("-4.00", "-1.00", 170, None), left=("-4.50", "0", None, None))
    type(world.prescription).unscoped.filter(id=world.prescription.id).update(purpose="near")
    refused(api(clerk).post(URL, world.body()), 409, "orders.purpose_not_prescribed")
    order = api(clerk).post(URL, world.body(purpose="near"))
    assert order.status_code == 201, order.content
    assert [lens["sphere_dpt"] for lens in order.json()["lenses"]] == ["-4.00", "-4.50"]


def test_the_segment_height_of_a_multifocal_is_not_the_height_of_its_optical_centre(api, clerk, world):
    lens = LensProductFactory(kind="multifocal", supply="made_to_order", sphere_min_dpt=Decimal("-10"))
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    world.measurement = measure(world.customer, frame=world.frame, height_right_mm=15, height_left_mm=15)
    quote = api(clerk).post(f"{URL}quote/", world.body(lenses={"right": str(lens.id), "left": str(lens.id)})).json()
    assert quote["computation"]["right"]["decentration_up_mm"] == 0
    assert any("datum line" in note for note in quote["computation"]["assumptions"])


def test_prism_that_a_plano_finished_lens_cannot_have_names_the_eye(api, clerk, world):
    from opticshop.prescriptions.models import PrescribedPrism

    world.prescription = prescribe(world.customer, left=("0.00", "0", None, None))
    PrescribedPrism.objects.create(eye=world.prescription.eyes.get(eye="left"), amount_dpt=Decimal("2"), base="in")
    problem = refused(api(clerk).post(URL, world.body()), 409, "orders.cannot_be_made")
    assert problem["errors"][0]["pointer"] == "#/lenses/left"


def test_an_order_is_placed_where_its_customer_is_at_home(api, head_office, world, quay):
    problem = refused(
        api(head_office).post(URL, world.body(branch=str(quay.id))), 422, "orders.does_not_belong_together"
    )
    assert problem["errors"][0]["pointer"] == "#/branch"


def test_a_total_beyond_all_measure_is_refused(api, clerk, world):
    type(world.lens).objects.filter(id=world.lens.id).update(price=Decimal("99999999.99"))
    refused(api(clerk).post(URL, world.body()), 422, "orders.total_too_large")


@pytest.mark.parametrize("amount", ["1_0", "１２", "1e1"])
def test_money_is_written_in_plain_digits(api, clerk, world, amount):
    order = api(clerk).post(URL, world.body()).json()
    body = {"order": order["id"], "amount": amount, "method": "cash"}
    answer = api(clerk).post("/api/v1/payments/", body, headers={"Idempotency-Key": "k"})
    assert (answer.status_code, answer.json()["code"]) == (400, "core.malformed")


def test_a_cancelled_order_is_promised_no_more(api, clerk, manager, world):
    order = api(clerk).post(URL, world.body()).json()
    api(manager).post(f"{URL}{order['id']}/cancel/", {"reason": "test"})
    answer = api(clerk).post(f"{URL}{order['id']}/promise/", {"promised_on": "2026-03-09", "reason": "x"})
    assert (answer.status_code, answer.json()["code"]) == (409, "orders.nothing_to_promise")
