"""Lens products: ranges, surfaces that cover them, and what a surface can be."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from opticshop.catalogue.geometry import lens_questions, surfaces_from
from opticshop.catalogue.models import LensProduct, LensSurface
from opticshop.catalogue.selectors import SurfaceMissing, lens_get, surface_for
from opticshop.core.errors import NotFound
from opticshop.core.models import OutboxEvent
from tests.factories import LensProductFactory, LensSurfaceFactory

URL = "/api/v1/lenses/"
pytestmark = pytest.mark.django_db


def surface(start, end, front="4.00", **more):
    return {
        "sphere_from_dpt": str(start),
        "sphere_to_dpt": str(end),
        "front_power_dpt": front,
        "centre_thickness_mm": "2.00",
        **more,
    }


def clear(**more):
    return {
        "sku": "SV-150-70",
        "name": "Clear 1.5 finished (invented)",
        "price": "32.50",
        "kind": "single_vision",
        "supply": "finished",
        "material": "Allyl diglycol carbonate",
        "index": "1.498",
        "abbe": "58",
        "density_g_cm3": "1.32",
        "diameter_mm": "70",
        "usable_diameter_mm": "68",
        "sphere_min_dpt": "-6.00",
        "sphere_max_dpt": "4.00",
        "cylinder_max_dpt": "2.00",
        "surfaces": [surface("-6.00", "-2.25", "3.00"), surface("-2.00", "4.00", "5.50")],
        **more,
    }


def test_a_lens_is_added_with_its_surfaces_and_an_event(api, head_office):
    response = api(head_office).post(URL, clear())
    assert response.status_code == 201, response.data
    assert response.data["warnings"] == []
    assert response.data["power_step_dpt"] == "0.25"
    assert [(s["sphere_from_dpt"], s["front_power_dpt"]) for s in response.data["surfaces"]] == [
        ("-6.00", "3.00"),
        ("-2.00", "5.50"),
    ]
    assert response.data["surfaces"][0]["edge_thickness_mm"] == "1.00"
    event = OutboxEvent.objects.get()
    assert (event.type, event.data) == ("catalogue.lens_added", {"lens": response.data["id"]})
    assert event.subject == f"lenses/{response.data['id']}"
    assert api(head_office).get(f"{URL}{response.data['id']}/").data["surfaces"] == response.data["surfaces"]


_PROGRESSIVE = {"kind": "power_variation", "supply": "made_to_order"}


@pytest.mark.parametrize(
    ("more", "code", "pointer"),
    [
        ({"surfaces": [surface("-6", "4"), surface("2", "4")]}, "surfaces_do_not_cover", "1/sphere_from_dpt"),
        ({"surfaces": [surface("-6", "-2.25"), surface("-1.75", "4")]}, "surfaces_do_not_cover", "1/sphere_from_dpt"),
        ({"surfaces": [surface("-2", "4"), surface("-6", "-2")]}, "surfaces_do_not_cover", "0/sphere_from_dpt"),
        ({"surfaces": [surface("-5.75", "4")]}, "surfaces_do_not_cover", "0/sphere_from_dpt"),
        ({"surfaces": [surface("-6.25", "4")]}, "surfaces_do_not_cover", "0/sphere_from_dpt"),
        ({"surfaces": [surface("-6", "4.25")]}, "surfaces_do_not_cover", "0/sphere_to_dpt"),
        ({"surfaces": [surface("-6", "-6.25")]}, "surfaces_do_not_cover", "0/sphere_to_dpt"),
        ({"surfaces": [surface("-6", "3.99")]}, "surfaces_do_not_cover", "0/sphere_to_dpt"),
        ({"surfaces": [surface("-6", "3.75")]}, "surfaces_do_not_cover", ""),
        ({"surfaces": [surface("-6", "4", "30")]}, "implausible", "0/front_power_dpt"),
        # r = 1000 (1.498 - 1) / 15 = 33.2 mm, less than half of 70 mm (optics dossier: r = 1000 (n - 1) / F).
        ({"surfaces": [surface("-6", "4", "15")]}, "front_surface_too_steep", "0/front_power_dpt"),
        ({"surfaces": [surface("-6", "4", centre_thickness_mm="0")]}, "implausible", "0/centre_thickness_mm"),
    ],
)
def test_surfaces_cover_the_range_once_and_can_be_made(api, head_office, more, code, pointer):
    response = api(head_office).post(URL, clear(**more))
    assert (response.status_code, response.data["code"]) == (422, f"catalogue.{code}"), response.data
    assert response.data["errors"][0]["pointer"] == f"#/surfaces/{pointer}".rstrip("/")
    assert not LensProduct.objects.exists()
    assert not LensSurface.objects.exists()
    assert not OutboxEvent.objects.exists()


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"surfaces": []}, 400, "core.malformed"),
        ({"surfaces": [{**surface("-6", "4"), "back_power_dpt": "1"}]}, 400, "core.malformed"),
        ({"sphere_min_dpt": "4.25"}, 422, "catalogue.power_range_wrong"),
        ({"sphere_min_dpt": "-6.10"}, 422, "catalogue.power_range_wrong"),
        ({"cylinder_max_dpt": "-2"}, 422, "catalogue.implausible"),
        ({"cylinder_max_dpt": "2.1"}, 422, "catalogue.power_range_wrong"),
        ({"sphere_min_dpt": "-50"}, 422, "catalogue.implausible"),
        ({"power_step_dpt": "0"}, 422, "catalogue.implausible"),
        ({"index": "1.3"}, 422, "catalogue.implausible"),
        ({"abbe": "0"}, 422, "catalogue.implausible"),
        ({"transmittance_percent": "100.1"}, 422, "catalogue.implausible"),
        ({"usable_diameter_mm": "70.5"}, 422, "catalogue.usable_diameter_too_large"),
        ({"addition_min_dpt": "1", "addition_max_dpt": "3"}, 422, "catalogue.power_range_wrong"),
        (_PROGRESSIVE, 422, "catalogue.power_range_wrong"),
        ({**_PROGRESSIVE, "addition_min_dpt": "1.00"}, 422, "catalogue.power_range_wrong"),
        ({**_PROGRESSIVE, "addition_min_dpt": "3", "addition_max_dpt": "1"}, 422, "catalogue.power_range_wrong"),
        ({"gtin": "5901234123450"}, 422, "catalogue.gtin_check_digit"),
        ({"kind": "contact"}, 400, "core.malformed"),
    ],
)
def test_a_range_must_be_one(api, head_office, more, status, code):
    response = api(head_office).post(URL, clear(**more))
    assert (response.status_code, response.data["code"]) == (status, code), response.data
    assert not LensProduct.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_a_progressive_has_additions_and_a_fitting_height(api, head_office):
    body = clear(
        **_PROGRESSIVE, addition_min_dpt="0.75", addition_max_dpt="3.50", minimum_fitting_height_mm="18", gtin=""
    )
    response = api(head_office).post(URL, body)
    assert response.status_code == 201, response.data
    assert response.data["warnings"] == []


def test_an_unusual_lens_is_kept_and_asked_about(api, head_office):
    body = clear(surfaces=[surface("-6", "4", "-0.50", edge_thickness_mm="4")])
    response = api(head_office).post(URL, body)
    assert response.status_code == 201, response.data
    assert [question["field"] for question in response.data["warnings"]] == [
        "surfaces/0/front_power_dpt",
        "surfaces/0/edge_thickness_mm",
    ]


def test_a_change_of_range_needs_surfaces_for_it(api, head_office):
    client = api(head_office)
    added = client.post(URL, clear()).data
    url = f"{URL}{added['id']}/"
    longer = client.patch(url, {"sphere_max_dpt": "5"}, headers={"If-Match": '"1"'})
    assert (longer.status_code, longer.data["code"]) == (422, "catalogue.surfaces_do_not_cover")
    assert LensSurface.objects.count() == 2
    body = {"sphere_max_dpt": "5", "surfaces": [surface("-6", "5", "4.50")]}
    changed = client.patch(url, body, headers={"If-Match": '"1"'})
    assert changed.status_code == 200, changed.data
    assert [s["sphere_to_dpt"] for s in changed.data["surfaces"]] == ["5.00"]
    assert client.patch(url, body, headers={"If-Match": '"1"'}).status_code == 412
    assert LensSurface.objects.count() == 1
    event = OutboxEvent.objects.get(type="catalogue.lens_changed")
    assert event.data["fields"] == ["sphere_max_dpt", "surfaces"]


def test_a_lost_race_leaves_the_surfaces_as_they_were(api, head_office):
    client = api(head_office)
    added = client.post(URL, clear()).data
    stale = client.patch(
        f"{URL}{added['id']}/", {"surfaces": [surface("-6", "4", "1.00")]}, headers={"If-Match": '"7"'}
    )
    assert stale.status_code == 412
    assert LensSurface.objects.count() == 2


def test_the_material_of_a_lens_is_not_changed(api, head_office):
    lens = LensProductFactory()
    response = api(head_office).patch(f"{URL}{lens.id}/", {"index": "1.6"}, headers={"If-Match": '"1"'})
    assert response.status_code == 400


@pytest.mark.parametrize(
    "query", ["kind=multifocal", "supply=made_to_order", "material=poly", "text=bif", "gtin=4006381333931"]
)
def test_a_lens_is_found(api, clerk, query):
    LensSurfaceFactory()
    wanted = LensProductFactory(
        name="Bifocal 1.59 (invented)",
        kind="multifocal",
        supply="made_to_order",
        material="Polycarbonate",
        gtin="04006381333931",
    )
    found = api(clerk).get(f"{URL}?{query}").data["results"]
    assert [row["id"] for row in found] == [str(wanted.id)]


def test_only_head_office_writes(api, manager, clerk):
    for user in (manager, clerk):
        assert api(user).post(URL, clear()).status_code == 403
    assert api(None).post(URL, clear()).status_code == 401
    assert not LensProduct.objects.exists()


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, queries):
    client = api(clerk)
    LensSurfaceFactory()
    one = queries(lambda: client.get(URL))
    LensSurfaceFactory.create_batch(9)
    assert queries(lambda: client.get(URL)) == one


@pytest.mark.parametrize(
    ("sphere", "front"),
    [("-6", "3"), ("-2.25", "3"), ("-2.10", "3"), ("-2", "5.5"), ("0", "5.5"), ("4", "5.5")],
)
def test_the_surface_of_a_sphere(sphere, front):
    product = LensProductFactory()
    LensSurfaceFactory(product=product, sphere_from_dpt=-2, sphere_to_dpt=4, front_power_dpt="5.5")
    LensSurfaceFactory(product=product, sphere_from_dpt=-6, sphere_to_dpt="-2.25", front_power_dpt=3)
    found = surface_for(lens_get(product.id), Decimal(sphere))
    assert found.front_power_dpt == Decimal(front)


@pytest.mark.parametrize("sphere", ["-6.25", "4.01"])
def test_a_sphere_outside_the_range_has_no_surface(sphere):
    product = LensSurfaceFactory().product
    with pytest.raises(SurfaceMissing) as caught:
        surface_for(product, Decimal(sphere))
    assert "-6" in str(caught.value.allowed)


def test_a_lens_that_is_not_there(mill):
    with pytest.raises(NotFound):
        lens_get(mill.id)


@given(data=st.data())
def test_any_cut_of_the_range_covers_it_and_any_piece_left_out_does_not(data):
    """The range cut at random steps is accepted in any order, and finds one surface for each sphere."""
    steps = data.draw(st.integers(2, 60))
    low = data.draw(st.integers(-40, 0))
    cuts = sorted(data.draw(st.sets(st.integers(1, steps), max_size=6)))
    starts = [0, *cuts]
    ends = [cut - 1 for cut in cuts] + [steps]
    quarter = Decimal("0.25")
    spans = [((low + a) * quarter, (low + b) * quarter) for a, b in zip(starts, ends, strict=True)]
    product = LensProduct(
        kind="single_vision",
        sphere_min_dpt=low * quarter,
        sphere_max_dpt=(low + steps) * quarter,
        cylinder_max_dpt=Decimal(2),
        index=Decimal("1.498"),
        abbe=Decimal(58),
        density_g_cm3=Decimal("1.32"),
        diameter_mm=Decimal(70),
        usable_diameter_mm=Decimal(68),
    )
    pieces = [
        {
            "sphere_from_dpt": a,
            "sphere_to_dpt": b,
            "front_power_dpt": Decimal(4),
            "centre_thickness_mm": Decimal(2),
            "edge_thickness_mm": Decimal(1),
        }
        for a, b in data.draw(st.permutations(spans))
    ]
    lens_questions(product, surfaces_from(pieces))
    dropped = data.draw(st.integers(0, len(pieces) - 1))
    with pytest.raises(Exception, match="surface") as caught:
        lens_questions(product, surfaces_from(pieces[:dropped] + pieces[dropped + 1 :]))
    assert caught.value.code == "catalogue.surfaces_do_not_cover"
