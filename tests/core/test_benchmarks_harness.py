"""The parts of ``tests/benchmarks/api`` that reckon: a comparison that reckons wrongly is worse than none."""

from __future__ import annotations

from decimal import Decimal

import pytest

from opticshop.prescriptions.computing import computed
from opticshop.prescriptions.written import WrittenEye
from opticshop.workshop.models import JOB_MOVES, SKIPPABLE, StepKind
from tests.benchmarks.api import plans, profiled, run, same, trade
from tests.benchmarks.api.client import message
from tests.benchmarks.api.endpoints import BY_NAME, Shop

SHOP = Shop("b", ["o"], ["c"], ["ald"], ["j"])


def test_percentiles_are_nearest_rank() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.6.2 names the method; worked by hand: rank ceil(share * count)."""
    assert [run.percentile(range(1, 21), share) for share in (0.5, 0.95, 1.0)] == [10, 19, 20]
    assert run.percentile([7.0], 0.95) == 7.0


def test_the_others_know_the_trade_as_the_service_does() -> None:
    assert dict(StepKind.choices) == trade.LABELS
    assert {str(state): sorted(map(str, moves)) for state, moves in JOB_MOVES.items()} == trade.MOVES
    assert {str(kind) for kind in SKIPPABLE} == trade.SKIPPABLE


@pytest.mark.parametrize(
    ("sphere", "cylinder", "axis"), [("-2.75", "-1.75", 1), ("1.00", "0.50", 120), ("-2.50", "0.00", None)]
)
def test_both_cylinder_forms_of_the_others_are_those_of_the_service(
    sphere: str, cylinder: str, axis: int | None
) -> None:
    eye = WrittenEye(sphere_dpt=Decimal(sphere), cylinder_dpt=Decimal(cylinder), axis_deg=axis)
    ours, theirs = computed("right", eye), trade.forms(Decimal(sphere), Decimal(cylinder), axis)
    for name in ("minus_cylinder", "plus_cylinder"):
        form = getattr(ours, name)
        assert theirs[name] == {
            "sphere_dpt": form.sphere_dpt,
            "cylinder_dpt": form.cylinder_dpt,
            "axis_deg": form.axis_deg,
        }
    assert theirs["spherical_equivalent_dpt"] == ours.spherical_equivalent_dpt


def test_bytes_that_differ_in_more_than_the_port_are_told() -> None:
    one, other = b'{"next":"http://127.0.0.1:1/x"}', b'{"next":"http://127.0.0.1:22/x"}'
    same.compare(BY_NAME["orders"], "/orders/", one, other)
    with pytest.raises(same.NotTheSame, match="at byte 21"):
        same.compare(BY_NAME["orders"], "/orders/", one, other.replace(b"/x", b"/y"))
    made = [b'{"id":"%d","given_name":"Wren"}' % number for number in (1, 2)]
    same.compare(BY_NAME["register"], "/customers/", *made)
    with pytest.raises(same.NotTheSame):
        same.compare(BY_NAME["customer"], "/customers/1/", *made)


def test_every_server_is_asked_the_same_and_every_write_is_another() -> None:
    endpoint = BY_NAME["order"]
    assert endpoint.requests([SHOP], 3) == endpoint.requests([SHOP], 3)
    bodies = [each.body for each in BY_NAME["register"].requests([SHOP], 3)]
    assert len(set(bodies)) == len(bodies)
    sent = message("http://127.0.0.1:8", "/customers/", "Bearer x", b"{}", "key")
    assert sent.startswith(b"POST /api/v1/customers/ HTTP/1.1\r\nHost: 127.0.0.1:8\r\n")
    assert sent.endswith(b"Content-Length: 2\r\n\r\n{}")


def test_reads_and_sorts_of_many_rows_are_marked() -> None:
    """The keys are those of EXPLAIN (FORMAT JSON), PostgreSQL 15 manual, "EXPLAIN"."""
    scan = {"Node Type": "Seq Scan", "Relation Name": "t", "Actual Rows": 5, "Rows Removed by Filter": 4000}
    plan = {"Node Type": "Sort", "Sort Key": ["id"], "Actual Rows": 5, "Plans": [scan | {"Actual Loops": 1}]}
    assert list(plans.marks(plan)) == ["reads all of t: 4005 rows"]
    scan |= {"Actual Rows": 2000, "Rows Removed by Filter": 0}
    assert list(plans.marks(plan | {"Plans": [scan]})) == ["sorts 2000 rows by id", "reads all of t: 2000 rows"]
    assert list(plans.marks({"Node Type": "Index Scan", "Actual Rows": 51, "Actual Loops": 1})) == []


def test_stacks_are_counted_below_the_entry_only() -> None:
    stacks = "a;WSGIHandler.__call__ (x);f;g 3\na;WSGIHandler.__call__ (x);f 1\na;wait 9\n"
    own, within, total = profiled.shares(stacks)
    assert (total, own["g"], own["f"], within["f"], within["a"]) == (4, 3, 1, 4, 0)
