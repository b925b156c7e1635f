"""Merging two records of one person and parting them again: nothing is moved, nothing is lost."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from opticshop.customers.merged import CustomerMerged, records_of
from opticshop.customers.models import ConsentChange, ContactRefusal, Customer, CustomerMerge, WrongAddress
from opticshop.customers.services import (
    MergeRefused,
    NotMerged,
    contact_allow,
    contact_refuse,
    customer_amend,
    customer_merge,
    customer_unmerge,
)
from opticshop.orders.api import OrderFilter
from opticshop.orders.models import Order
from tests.factories import CustomerFactory, MeasurementFactory, OrderFactory, PrescriptionFactory
from tests.prescriptions.bodies import measurement, prescription
from tests.tags import version_in

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/"
READ = {"If-Match": '"1"'}
ACTOR = system("test")


def fresh(customer):
    return Customer.objects.everywhere("test").get(id=customer.id)


def merge(survivor, duplicate, **more):
    survivor = fresh(survivor)
    return customer_merge(
        actor=ACTOR,
        survivor=survivor,
        duplicate=fresh(duplicate),
        version=survivor.version,
        reason="registered twice",
        **more,
    )


def unmerge(customer):
    customer = fresh(customer)
    return customer_unmerge(actor=ACTOR, customer=customer, version=customer.version, reason="two people")


def test_a_duplicate_is_merged_and_parted_through_the_api(api, manager, mill):
    kept, gone = CustomerFactory(branch=mill, email=""), CustomerFactory(branch=mill, email="wren@example.org")
    client = api(manager)
    answer = client.post(f"{URL}{kept.id}/merge/", {"duplicate": str(gone.id), "reason": "twice"}, headers=READ)
    assert (answer.status_code, answer.data["email"], version_in(answer)) == (200, "wren@example.org", 2)
    merged = OutboxEvent.objects.get(type="customers.merged")
    assert merged.data == {"customer": str(kept.id), "merged": str(gone.id)}
    shown = client.get(f"{URL}{gone.id}/").data
    assert (shown["is_merged"], shown["merged_into"]) == (True, str(kept.id))
    parted = client.post(f"{URL}{gone.id}/unmerge/", {"reason": "two people"}, headers={"If-Match": '"2"'})
    assert (parted.status_code, parted.data["is_merged"]) == (200, False)
    assert OutboxEvent.objects.get(type="customers.unmerged").data == {"customer": str(kept.id), "parted": str(gone.id)}
    assert fresh(kept).email == ""


def test_a_merged_record_is_only_read(api, manager, mill):
    kept, gone = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    merge(kept, gone)
    client, url = api(manager), f"{URL}{gone.id}/"
    for answer in (
        client.patch(url, {"note": "x"}, headers={"If-Match": '"2"'}),
        client.post(f"{url}deceased/", {"on": "2026-03-01"}, headers={"If-Match": '"2"'}),
        client.post(f"{url}merge/", {"duplicate": str(CustomerFactory(branch=mill).id), "reason": "x"}, headers=READ),
    ):
        assert (answer.status_code, answer.json()["code"]) == (409, "customers.merged")
        assert answer.json()["survivor"] == str(kept.id)


def test_lists_leave_merged_records_out_unless_they_are_asked_for(api, clerk, mill):
    kept, gone, other = (CustomerFactory(branch=mill, family_name="Fell") for _ in range(3))
    merge(kept, gone)

    def found(query):
        return {row["id"] for row in api(clerk).get(f"{URL}?{query}").data["results"]}

    assert found("name=fell") == {str(kept.id), str(other.id)}
    assert found("name=fell&merged=true") == {str(kept.id), str(other.id), str(gone.id)}
    assert found(f"merged_into={kept.id}") == {str(gone.id)}
    assert found(f"merged_into={gone.id}") == set()
    body = {"branch": str(mill.id), "given_name": "Wren", "family_name": "Fell", "birth_date": "1984-03-09"}
    made = api(clerk).post(URL, body).data
    assert {row["id"] for row in made["near_duplicates"]} == {str(kept.id), str(other.id)}


@pytest.mark.parametrize("role", ["clerk", "hand", "bookkeeper"])
def test_only_managers_and_head_office_merge(api, mill, request, role):
    kept, gone = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    client = api(request.getfixturevalue(role))
    body = {"duplicate": str(gone.id), "reason": "x"}
    assert client.post(f"{URL}{kept.id}/merge/", body, headers=READ).status_code == 403
    assert client.post(f"{URL}{gone.id}/unmerge/", {"reason": "x"}, headers=READ).status_code == 403


def test_both_records_must_be_ones_own(api, manager, outsider, mill, quay):
    kept, theirs = CustomerFactory(branch=mill), CustomerFactory(branch=quay)
    body = {"duplicate": str(theirs.id), "reason": "x"}
    refused = api(manager).post(f"{URL}{kept.id}/merge/", body, headers=READ)
    assert refused.status_code == 404
    assert api(outsider).post(f"{URL}{kept.id}/merge/", body, headers=READ).status_code == 404
    assert not CustomerMerge.objects.everywhere("test").exists()


def test_a_survivor_of_another_branch_is_not_named(api, manager, outsider, head_office, mill, quay):
    kept, gone = CustomerFactory(branch=quay), CustomerFactory(branch=mill)
    body = {"duplicate": str(gone.id), "reason": "moved house"}
    assert api(head_office).post(f"{URL}{kept.id}/merge/", body, headers=READ).status_code == 200
    shown = api(manager).get(f"{URL}{gone.id}/")
    assert (shown.data["is_merged"], shown.data["merged_into"]) == (True, None)
    refused = api(manager).patch(f"{URL}{gone.id}/", {"note": "x"}, headers={"If-Match": '"2"'})
    parting = api(manager).post(f"{URL}{gone.id}/unmerge/", {"reason": "x"}, headers={"If-Match": '"2"'})
    assert (refused.status_code, parting.status_code) == (409, 409)
    hidden = api(manager).get(f"{URL}?merged_into={kept.id}")
    for answer in (shown, refused, parting, hidden):
        ours = answer.content.replace(f"merged_into={kept.id}".encode(), b"")
        assert str(kept.id).encode() not in ours
        assert str(quay.id).encode() not in ours


def test_what_cannot_be_one_person_is_refused(mill):
    adult = CustomerFactory(branch=mill, birth_date=None)
    ward = CustomerFactory(branch=mill, birth_date=None, guardian=adult)
    elder = CustomerFactory(branch=mill, birth_date=dt.date(1950, 1, 1))
    younger = CustomerFactory(branch=mill)
    for kept, gone, code in [
        (adult, adult, "customers.merge_refused"),
        (adult, ward, "customers.merge_refused"),
        (ward, adult, "customers.merge_refused"),
        (elder, younger, "customers.birth_dates_differ"),
    ]:
        with pytest.raises(DomainError) as refused:
            merge(kept, gone)
        assert refused.value.code == code
    assert merge(elder, younger, confirm_birth_date_differs=True).birth_date == dt.date(1950, 1, 1)
    for kept, gone in ((adult, younger), (younger, adult)):
        with pytest.raises(DomainError) as refused:
            merge(kept, gone)
        assert refused.value.code == "customers.merged"
    assert CustomerMerge.objects.everywhere("test").count() == 1


def test_a_guardian_merged_behind_others_is_still_seen(mill):
    guardian, other = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    ward = CustomerFactory(branch=mill, guardian=guardian)
    merge(other, guardian)
    with pytest.raises(DomainError) as refused:
        merge(other, ward)
    assert refused.value.code == "customers.merge_refused"


def test_the_version_that_was_read_is_needed(api, manager, mill):
    kept, gone = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    body = {"duplicate": str(gone.id), "reason": "x"}
    client = api(manager)
    assert client.post(f"{URL}{kept.id}/merge/", body).status_code == 428
    assert client.post(f"{URL}{kept.id}/merge/", body, headers={"If-Match": '"4"'}).status_code == 412
    assert client.post(f"{URL}{gone.id}/unmerge/", {"reason": "x"}, headers=READ).status_code == 409
    assert fresh(gone).merged_into is None


def test_chains_are_flattened_and_part_again_as_they_were(mill):
    first, second, third = CustomerFactory.create_batch(3, branch=mill)
    merge(second, first)
    merge(third, second)
    assert fresh(first).merged_into == fresh(second).merged_into == third
    unmerge(second)
    assert (fresh(first).merged_into, fresh(second).merged_into) == (second, None)


def test_the_middle_of_a_chain_parts_alone(mill):
    first, second, third = CustomerFactory.create_batch(3, branch=mill)
    merge(second, first)
    merge(third, second)
    unmerge(first)
    assert (fresh(first).merged_into, fresh(second).merged_into) == (None, third)


def test_what_was_passed_on_up_a_chain_is_taken_back_when_its_owner_parts(mill):
    first = CustomerFactory(branch=mill, email="first@example.org")
    second, third = CustomerFactory.create_batch(2, branch=mill, email="")
    merge(second, first)
    merge(third, second)
    assert fresh(third).email == "first@example.org"
    unmerge(first)
    assert (fresh(second).email, fresh(third).email) == ("", "")


def test_contact_details_are_filled_only_where_there_are_none(mill):
    kept = CustomerFactory(branch=mill, address="")
    gone = CustomerFactory(branch=mill, address="1 Fell Row (invented)", postcode="ZZ1 1ZZ")
    merge(kept, gone)
    now = fresh(kept)
    assert (now.email, now.address, now.postcode) == (kept.email, gone.address, gone.postcode)


def test_what_forbids_wins_from_either_side(mill):
    kept = CustomerFactory(branch=mill, wants_marketing=True)
    gone = CustomerFactory(branch=mill, wants_recalls=False, deceased_on=dt.date(2026, 1, 1))
    contact_refuse(ACTOR, gone, "email", "service", "phone")
    merge(kept, gone)
    now = fresh(kept)
    assert (now.wants_recalls, now.deceased_on) == (False, dt.date(2026, 1, 1))
    assert now.wants_marketing, "the other record was never asked, so nothing was withdrawn"
    assert [(row.way, row.purpose) for row in now.refusals.all()] == [("email", "service")]
    said = ConsentChange.objects.everywhere("test").filter(customer=kept, source="merge")
    assert {(row.what, row.was, row.now) for row in said} == {("wants_recalls", "yes", "no"), ("contact", "yes", "no")}


def test_a_consent_withdrawn_on_either_record_is_withdrawn(mill):
    kept, gone = CustomerFactory.create_batch(2, branch=mill, wants_marketing=True)
    customer_amend(actor=ACTOR, customer=gone, version=1, changes={"wants_marketing": False})
    merge(kept, gone)
    assert not fresh(kept).wants_marketing


def test_what_is_said_after_a_merge_stays_after_parting(mill):
    kept, gone = CustomerFactory(branch=mill, email=""), CustomerFactory(branch=mill, wants_recalls=False)
    contact_refuse(ACTOR, gone, "email", "recall", "phone")
    contact_refuse(ACTOR, gone, "letter", "recall", "phone")
    now = merge(kept, gone)
    now = customer_amend(
        actor=ACTOR, customer=now, version=now.version, changes={"wants_recalls": False, "email": gone.email}
    )
    contact_refuse(ACTOR, now, "email", "recall", "reply")
    contact_allow(ACTOR, now, "letter", "recall", "reply")
    unmerge(gone)
    now = fresh(kept)
    assert (now.wants_recalls, now.email) == (False, gone.email)
    assert [row.way for row in now.refusals.all()] == ["email"]
    assert {row.way for row in fresh(gone).refusals.all()} == {"email", "letter"}


def test_a_stop_on_a_merged_record_reaches_all_it_was_merged_into(mill):
    first, second, third = CustomerFactory.create_batch(3, branch=mill)
    merge(second, first)
    merge(third, second)
    contact_refuse(ACTOR, fresh(first), "email", "marketing", "unsubscribe_link")
    assert all(fresh(each).refusals.count() == 1 for each in (first, second, third))


def rows_of(customer):
    """Everything another app keeps of a person."""
    written = PrescriptionFactory(customer=customer)
    taken = MeasurementFactory(customer=customer)
    return {OrderFactory(customer=customer, prescription=written, measurement=taken), written, taken}


def test_the_survivor_shows_what_belongs_to_the_merged_and_parting_gives_it_back(api, manager, mill, queries):
    kept, gone = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    of_kept, of_gone = rows_of(kept), rows_of(gone)
    client = api(manager)
    lists = ("prescriptions", "measurements")

    def shown(customer):
        pages = [client.get(f"/api/v1/{each}/?customer={customer.id}").data["results"] for each in lists]
        orders = OrderFilter({"customer": customer.id}, queryset=Order.objects.everywhere("test")).qs
        return {row["id"] for page in pages for row in page} | keys(orders)

    def keys(rows):
        return {str(row.id) for row in rows}

    few = [queries(lambda path=path: client.get(f"/api/v1/{path}/?customer={kept.id}")) for path in lists]
    merge(kept, gone)
    assert shown(kept) == keys(of_kept | of_gone)
    assert shown(gone) == keys(of_gone)
    assert [queries(lambda path=path: client.get(f"/api/v1/{path}/?customer={kept.id}")) for path in lists] == few
    statement = client.get(f"/api/v1/statements/{kept.id}/")
    assert statement.status_code == 200, statement.data
    unmerge(gone)
    assert shown(kept) == keys(of_kept)


def test_new_prescriptions_and_measurements_are_the_survivors(api, manager, mill):
    kept, gone = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    merge(kept, gone)
    for path, sent in (("prescriptions", prescription(gone)), ("measurements", measurement(gone))):
        answer = api(manager).post(f"/api/v1/{path}/", sent)
        assert (answer.status_code, answer.json()["code"]) == (409, "customers.merged"), answer.json()
        assert answer.json()["survivor"] == str(kept.id)
        assert api(manager).post(f"/api/v1/{path}/", sent | {"customer": str(kept.id)}).status_code == 201


def snapshot(people):
    """All that merging could touch, of every record, but for versions."""
    found = {}
    for person in people:
        row = fresh(person)
        columns = {field.attname: getattr(row, field.attname) for field in Customer._meta.concrete_fields}
        columns.pop("version")
        found[person.id] = (
            columns,
            set(ContactRefusal.objects.everywhere("test").filter(customer=row).values_list("way", "purpose")),
            set(WrongAddress.objects.everywhere("test").filter(customer=row).values_list("way", "address", "reason")),
        )
    return found


details = st.fixed_dictionaries(
    {
        "email": st.sampled_from(["", "a@example.org", "b@example.org"]),
        "address": st.sampled_from(["", "1 Fell Row (invented)"]),
        "birth_date": st.sampled_from([None, dt.date(1984, 3, 9)]),
        "wants_recalls": st.booleans(),
        "wants_marketing": st.booleans(),
        "preferred_channel": st.sampled_from(["email", "none"]),
        "deceased_on": st.sampled_from([None, dt.date(2026, 1, 1)]),
        "is_sight_impaired": st.booleans(),
    }
)
refused = st.sets(st.tuples(st.sampled_from(["email", "text"]), st.sampled_from(["recall", "marketing"])), max_size=3)
PEOPLE = 4


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    people=st.lists(st.tuples(details, refused, st.booleans()), min_size=PEOPLE, max_size=PEOPLE),
    moves=st.lists(st.tuples(st.booleans(), st.integers(0, PEOPLE - 1), st.integers(0, PEOPLE - 1)), max_size=12),
    parting=st.permutations(range(PEOPLE)),
)
def test_any_sequence_keeps_every_row_reachable_once_and_parting_all_gives_back_the_start(mill, people, moves, parting):
    records = []
    for columns, stops, is_wrong in people:
        record = CustomerFactory(branch=mill, **columns)
        ContactRefusal.objects.bulk_create(ContactRefusal(customer=record, way=a, purpose=b) for a, b in stops)
        if is_wrong and record.email:
            WrongAddress.objects.create(customer=record, way="email", address=record.email, reason="invented")
        records.append(record)
    start = snapshot(records)
    measured = {record.id: MeasurementFactory(customer=record).id for record in records}
    for is_merge, one, other in moves:
        try:
            if is_merge:
                merge(records[one], records[other])
            else:
                unmerge(records[one])
        except (CustomerMerged, MergeRefused, NotMerged):
            pass  # what cannot be is refused, and changes nothing
        roots = [row for row in map(fresh, records) if row.merged_into_id is None]
        reached = [
            key
            for root in roots
            for key in Customer.objects.everywhere("test")
            .filter(id__in=records_of(root.id))
            .values_list("measurements__id", flat=True)
        ]
        assert sorted(reached) == sorted(measured.values())
    for place in parting:
        if fresh(records[place]).merged_into_id is not None:
            unmerge(records[place])
    assert snapshot(records) == start
    assert not CustomerMerge.objects.everywhere("test").filter(undone_at=None).exists()
