"""The table of permissions against every operation of the OpenAPI document, for every role and every branch.

What is asked of each answer: it is what ``opticshop.config.access`` says, it is never a failure of ours, and no byte
of it is of another branch. Codes: RFC 9110, 15.5 (401 with WWW-Authenticate, 403, 404); RFC 6750, 3 (bearer tokens).
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import pytest
from rest_framework.test import APIClient

from opticshop.accounts.models import SPANNING_ROLES
from opticshop.config.access import EVERYWHERE, OF_THE_GROUP

from .conftest import ALL_SCOPES, LONG_AGO, client_of, holder, nobody, token_client
from .operations import OPEN, ROLES, WITHOUT_SIGNING_IN, Operation, gaps, operations
from .twins import KEY_MARK, LEFT_OUT, Twins, of_a_branch, our_models
from .walking import SPARED, Walk, everything_written, undone

pytestmark = pytest.mark.django_db

#: Reads of one's own that do not answer 200 here, and why: what they need is made in the tests of their apps.
NOT_READ = {
    "invoice_export": "no exporter of invoices is active at the branch",
    "journal_export_file": "the exporter is a plugin's; the batch was made by none",
    "inspection_photograph_image": "the picture lies on the disk, not in a row",
    "inspection_certificate": "due only when the job is done",
    "letter_batch_document": "drawn by a plugin's channel; the batch was made by none",
    "privacy_request_copy": "no copy was made",
    "report_schedule_get": "only for who made it, is sent it, or may schedule everywhere",
    "report_mail_get": "only for whom it is to, or who made the schedule",
    "report_run_get": "only for who asked for it",
    "report_run_file": "only for who asked for it",
    "retention_run_get": "only for who holds it everywhere",
    "audit_entry_get": "only for who holds it everywhere",
    "audit_read_get": "only for who holds it everywhere",
    "audit_seal_get": "only for who holds it everywhere",
}
#: What a role sees of a resource is less than all, or nothing, though it may ask for it.
NARROWED = {
    ("event_get", "bookkeeper"): "an event is for whoever may read what it is about, too",
}
#: Refused by what is asked for, though the role may ask for some of it.
BY_WHAT_IS_ASKED = {
    "settlement_undo": "needs the permission that the settlement itself needed",
    "calendar_feed_create": "one's own calendar is free to share, the branch's is not",
}
#: Refused although the role holds the permission at the branch, because it is needed at another one too.
NEEDED_ELSEWHERE = {"transfer_receive": "the transfer goes to a third branch, and that one receives it"}
#: Lists in which the row of one's own branch does not stand, and why.
SHOW_NONE = {
    "duplicate_customer_list": "the twins hold no two alike at one branch",
    "dead_stock_list": "nothing has lain long enough",
    "digest_subscription_list": "only one's own",
    "my_sign_in_list": "only one's own",
    "report_run_list": "only one's own",
    "report_schedule_list": "only one's own",
    "report_mail_list": "only one's own",
    "report_address_list": "only one's own",
    "audit_entry_list": "only for who holds it everywhere",
}
GROUPS = {str(permission) for permission in OF_THE_GROUP}


def changed(before: dict[str, Any]) -> list[str]:
    """The tables that hold something else than before."""
    now = everything_written()
    return [table for table in now if now[table] != before[table]]


def told(problems: list[str]) -> str:
    return f"{len(problems)} answers are not as the table says:\n" + "\n".join(problems)


# --- the table itself -----------------------------------------------------------------------------------------------


def test_every_operation_of_the_document_needs_permissions_of_the_table():
    assert not gaps(), told(gaps())
    assert set(OPEN) >= WITHOUT_SIGNING_IN


def test_an_operation_that_nobody_entered_in_the_table_is_found(settings):
    from drf_spectacular.generators import SchemaGenerator

    from . import invented

    settings.ROOT_URLCONF = invented.__name__
    document = SchemaGenerator(patterns=invented.urlpatterns).get_schema(request=None, public=True)
    found = [each for each in gaps(document) if "invented" in each]  # hooks of the document add what is not routed here
    assert [each.rsplit("invented/", 1)[1] for each in found] == [
        "open/: the route declares no permission",
        "unknown/: customers.peek not in the table",
    ]


def test_only_roles_that_span_may_be_held_everywhere():
    assert set(EVERYWHERE) == {str(role) for role in SPANNING_ROLES}


def test_the_table_in_the_documentation_is_the_one_in_the_code():
    from .write_table import FILE, written

    assert FILE.read_text(encoding="utf-8") == written(), "python -m tests.access.write_table"


def test_a_row_of_every_model_that_belongs_to_a_branch_stands_at_both(twins: Twins):
    owned = [model for model in our_models() if of_a_branch(model)]
    assert not set(LEFT_OUT) & {model._meta.label for model in owned}
    for model in owned:
        assert twins.row(model, "mill").pk != twins.row(model, "quay").pk
    assert len(owned) > 90


# --- each role at its own branch ------------------------------------------------------------------------------------


def test_each_role_may_at_its_branch_what_the_table_says(walk: Walk, at_mill: dict[str, APIClient]):
    """Whoever lacks the permission is refused, every role; of those who hold it one writes, two read, in turn."""
    before = everything_written()
    for turn, operation in enumerate(operations()):
        places = walk.places(operation, "mill")
        path = operation.at(places) + walk.query(operation, "mill")
        granted = set(ROLES) if operation.is_open else operation.roles()
        body = walk.body(operation, "mill")
        first = turn % len(granted)
        asking = [*sorted(granted), *sorted(granted)][first : first + (2 if operation.method == "GET" else 1)]
        for role, client in at_mill.items():
            if operation.id in WITHOUT_SIGNING_IN:
                continue
            if role not in granted:
                answer = walk.send(client, operation, path, body)
                if answer.status_code != 403:
                    walk.say(operation, role, answer, "403")
            elif role == min(granted) if walk.is_costly(operation) else role in asking:
                with undone():
                    answer = walk.send(client, operation, path, body)
                    _as_granted(walk, operation, role, answer)
            else:
                continue
            walk.look_for("quay", operation, role, answer)
    assert not walk.problems, told(walk.problems)
    assert changed(before) == []


def _as_granted(walk: Walk, operation: Operation, role: str, answer: Any) -> None:
    code, by_group = answer.status_code, bool(GROUPS & set(operation.permissions or ()))
    if code == 403 and (by_group or operation.id in NEEDED_ELSEWHERE or operation.id in BY_WHAT_IS_ASKED):
        return
    if code in {401, 403, 405} or code >= 500:
        walk.say(operation, role, answer, "what a holder is answered")
    elif operation.method == "GET" and code != 200 and operation.id not in NOT_READ:
        if (operation.id, role) in NARROWED and code == 404:
            return
        walk.say(operation, role, answer, "200")


# --- nobody, no role, expired, wrong scope --------------------------------------------------------------------------


def test_without_a_sign_in_a_role_or_the_scope_nothing_opens(walk: Walk, all_at_mill: Any):
    expired = token_client(all_at_mill, ALL_SCOPES, LONG_AGO)
    stranger, roleless = nobody(), client_of(holder("no-role", None))
    narrowed = {scope: token_client(all_at_mill, ALL_SCOPES - {scope}) for scope in ALL_SCOPES}
    before, asked = everything_written(), set()
    for operation in operations():
        if operation.id in WITHOUT_SIGNING_IN:
            continue
        path = operation.at(walk.places(operation, "mill")) + walk.query(operation, "mill")
        body = walk.body(operation, "mill")
        asking = [("nobody", stranger, 401), ("an expired token", expired, 401)]
        if (operation.view, operation.action) in asked:
            asking = asking[:1]  # one route under several names: each calculator
        elif not operation.is_open:
            asking.append(("somebody without a role", roleless, 403))
            for scope in sorted(operation.scopes()):
                asking.append((f"a token for all but {scope}", narrowed[scope], 403))
        asked.add((operation.view, operation.action))
        for who, client, wanted in asking:
            answer = walk.send(client, operation, path, body)
            if answer.status_code != wanted:
                walk.say(operation, who, answer, str(wanted))
            elif wanted == 401 and not answer.get("WWW-Authenticate", "").startswith("Bearer"):
                walk.say(operation, who, answer, "401 with WWW-Authenticate: Bearer")
            walk.look_for("quay", operation, who, answer)
            walk.look_for("mill", operation, who, answer, path, *walk.places(operation, "mill").values())
    assert not walk.problems, told(walk.problems)
    assert changed(before) == []


def test_a_token_opens_what_its_scopes_and_roles_allow(walk: Walk, all_at_mill: Any):
    whole = token_client(all_at_mill, ALL_SCOPES)
    for operation in operations():
        if operation.method == "GET" and not operation.places and operation.id not in SPARED | set(NOT_READ):
            answer = walk.send(whole, operation, operation.path + walk.query(operation, "mill"))
            if answer.status_code != 200:
                walk.say(operation, "a token for all", answer, "200")
            elif operation.action == "list" and operation.id not in SHOW_NONE:
                is_ours = walk.is_of_a_branch(operation) or operation.id == "event_list"
                if is_ours and KEY_MARK["mill"].encode() not in _content(answer):
                    walk.say(operation, "a token for all", answer, "200 with the row of the branch")
    assert not walk.problems, told(walk.problems)


def _content(answer: Any) -> bytes:
    return b"" if answer.streaming else answer.content


# --- the other branch -----------------------------------------------------------------------------------------------


def test_rows_of_another_branch_are_not_there(walk: Walk, at_mill: dict[str, APIClient], all_at_mill: Any):
    before = everything_written()
    asking = {**at_mill, "all roles": client_of(all_at_mill)}
    for turn, operation in enumerate(operations()):
        if not walk.names_a_row_of_a_branch(operation):
            continue
        places = walk.places(operation, "quay")
        path = operation.at(places) + walk.query(operation, "mill")
        body = walk.body(operation, "mill")
        # Whoever lacks the permission is refused before any row is sought; of those who hold it each takes its turn.
        for who in (sorted(operation.roles())[turn % len(operation.roles())], "all roles"):
            answer = walk.send(asking[who], operation, path, body)
            if answer.status_code != 404:
                walk.say(operation, who, answer, "404")
            walk.look_for("quay", operation, who, answer, path, *places.values())
    assert not walk.problems, told(walk.problems)
    assert changed(before) == []


def test_no_filter_search_or_cursor_reaches_another_branch(walk: Walk, all_at_mill: Any):
    client = client_of(all_at_mill)
    for operation in operations():
        if operation.method != "GET" or operation.id in WITHOUT_SIGNING_IN:
            continue
        here = operation.at(walk.places(operation, "mill"))
        needed = walk.query_values(operation, "mill")
        for name, schema in operation.queries.items():
            for value in walk.asked_of(operation, name, schema, "quay"):
                answer = walk.send(client, operation, here, query={**needed, name: value})
                if answer.status_code not in {200, 400, 403, 404, 409, 422}:
                    walk.say(operation, f"all roles, {name}={value}", answer, "an answer or a refusal")
                walk.look_for("quay", operation, f"all roles, {name}={value}", answer, value)
                if (
                    answer.status_code == 200
                    and name in ONLY_THEIRS
                    and re.search(rb'"results": ?\[ ?{', answer.content)
                ):
                    walk.say(operation, f"all roles, {name}={value}", answer, "an empty page")
    assert not walk.problems, told(walk.problems)


_ROWS = re.compile(rb'"results": ?\[ ?{')
#: Filters that name a row of the other branch: a page of one's own rows would be no answer to them.
ONLY_THEIRS = {"branch", "customer", "order", "job", "instrument", "lot", "claim", "voucher", "payment", "file"}


def test_bodies_that_name_rows_of_another_branch_are_refused(walk: Walk, all_at_mill: Any):
    client, before, answers = client_of(all_at_mill), everything_written(), Counter()
    for operation in operations():
        if operation.method not in {"POST", "PUT", "PATCH"} or operation.id in WITHOUT_SIGNING_IN:
            continue
        places = walk.places(operation, "mill")
        for pointer, value, body in walk.bodies_with_their_keys(operation):
            with undone():
                answer = walk.send(client, operation, operation.at(places), body)
            answers[answer.status_code] += 1
            if not 400 <= answer.status_code < 500:
                walk.say(operation, f"all roles, {pointer} of the other branch", answer, "a refusal")
            walk.look_for("quay", operation, f"all roles, {pointer} of the other branch", answer, value)
    assert changed(before) == []
    assert sum(answers.values()) > 70
    assert answers[404] + answers[422] > 40, answers
    assert not walk.problems, told(walk.problems)


def test_what_belongs_to_the_group_is_not_changed_from_one_branch(walk: Walk, all_at_mill: Any):
    client, tried = client_of(all_at_mill), set()
    for operation in operations():
        example = operation.body[1]
        if not GROUPS & set(operation.permissions or ()) or not isinstance(example, dict) or operation.method == "GET":
            continue
        if "branch" in example or operation.id == "plugin_set_activation":
            body = {**walk.body(operation, "mill"), "branch": None}
            with undone():
                answer = walk.send(client, operation, operation.at(walk.places(operation, "mill")), body)
            tried.add(operation.id)
            if answer.status_code < 400 or answer.status_code >= 500:
                walk.say(operation, "all roles at one branch, for the group", answer, "a refusal")
    assert {"webhook_endpoint_create", "message_template_create", "plugin_set_activation"} <= tried
    assert not walk.problems, told(walk.problems)


def test_a_selector_that_forgets_the_branch_is_noticed(walk: Walk, all_at_mill: Any, monkeypatch: pytest.MonkeyPatch):
    """The walk itself: with such a mistake in the list of customers it says so."""
    from opticshop.customers.api import CustomerViewSet
    from opticshop.customers.models import Customer

    monkeypatch.setattr("opticshop.core.kept._kept", {})
    monkeypatch.setattr(CustomerViewSet, "selector", staticmethod(lambda actor: Customer.objects.everywhere("mistake")))
    client, theirs = client_of(all_at_mill), walk.row("customers.Customer", "quay").pk
    for operation in operations():
        if operation.id in {"customer_list", "customer_get"}:
            answer = walk.send(client, operation, operation.at({"id": theirs}))
            assert answer.status_code == 200
            walk.look_for("quay", operation, "all roles", answer, theirs)
    assert len(walk.problems) == 2
    assert all("tells of the other branch" in problem for problem in walk.problems)


def test_a_role_held_everywhere_reads_every_branch(walk: Walk):
    clients = {role: client_of(holder(f"{role}-everywhere", None, role)) for role in EVERYWHERE}
    for operation in operations():
        if operation.method != "GET" or operation.id in SPARED | set(NOT_READ) | set(OPEN):
            continue
        if not walk.names_a_row_of_a_branch(operation):
            continue
        path = operation.at(walk.places(operation, "quay")) + walk.query(operation, "quay")
        for role, client in clients.items():
            answer = walk.send(client, operation, path)
            wanted = 200 if role in operation.roles() else 403
            if (operation.id, role) in NARROWED:
                wanted = 404
            if answer.status_code != wanted:
                walk.say(operation, f"{role} everywhere", answer, str(wanted))
    assert not walk.problems, told(walk.problems)
