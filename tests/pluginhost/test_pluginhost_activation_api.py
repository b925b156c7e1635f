"""Plugins over HTTP: what is installed, and switching it on, off and up, per branch."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import CalculatorPlugin, Gate, Listener, StandardPlugin, StricterPlugin
from tests.tags import version_in

pytestmark = pytest.mark.django_db
URL = "/api/v1/plugins/"
AT = f"{URL}std-stricter/activation/"


@pytest.fixture
def host():
    with using_plugins(
        [StandardPlugin(), StricterPlugin(), Listener(), Gate("gate", print), object()], allow_left_out=True
    ) as host:
        yield host


def put(client, version, url=AT, **body):
    return client.put(url, {"is_active": None, "settings": {}, **body}, headers={"If-Match": f'"{version}"'})


def test_healthy_and_unhealthy_plugins_are_listed_with_reasons(api, manager, host):
    rows = {row["name"]: row for row in api(manager).get(URL).data["results"]}
    assert list(rows) == ["gate", "listener", "object", "std", "std-stricter"]
    assert rows["object"]["state"] == "left_out"
    assert rows["object"]["problem"] == "manifest"
    assert "no `manifest`" in rows["object"]["reason"]
    assert (rows["std"]["state"], rows["std"]["version"], rows["std"]["problem"]) == ("active", "1.2.3", None)
    assert rows["std"]["brings"]["tolerance_standards"] == ["house-1"]
    assert rows["gate"]["brings"]["decides"] == ["decide_order_placement", "decide_handover"]
    assert rows["listener"]["brings"]["listens"] == ["on_event"]


def test_one_plugin_is_found_by_name(api, manager, host):
    assert api(manager).get(f"{URL}std/").data["title"] == "Std"
    assert api(manager).get(f"{URL}object/").data["state"] == "left_out"
    assert api(manager).get(f"{URL}nothing/").status_code == 404
    assert api(manager).get(f"{URL}object/activation/").status_code == 404


def test_a_plugin_that_broke_is_failed_not_left_out(api, manager):
    class Silent(CalculatorPlugin):
        def __init__(self):
            self.calculator = object()

    with using_plugins([Silent()], allow_left_out=True):
        assert api(manager).get(f"{URL}calc/").data["state"] == "failed"


def test_a_plugin_is_switched_off_at_one_branch_with_an_event(api, head_office, mill, quay, host):
    client = api(head_office)
    before = client.get(f"{AT}?branch={mill.id}")
    assert (version_in(before), before.data["effective_is_active"], before.data["is_active"]) == (0, True, None)
    response = put(client, 0, branch=str(mill.id), is_active=False)
    assert response.status_code == 200, response.data
    assert (response.headers["ETag"], response.data["effective_is_active"]) == ('"1"', False)
    assert client.get(f"{AT}?branch={quay.id}").data["effective_is_active"] is True
    event = OutboxEvent.objects.get()
    assert (event.type, event.branch_id) == ("pluginhost.activation_changed", mill.id)
    assert event.data == {"plugin": "std-stricter", "branch": str(mill.id), "is_active": False, "settings": []}


def test_settings_are_layered_default_group_branch(api, head_office, mill, quay, host):
    client = api(head_office)
    assert put(client, 0, settings={"strictness": 3, "base": "iso-1"}).status_code == 200
    assert put(client, 0, branch=str(mill.id), settings={"strictness": 5}).status_code == 200
    assert client.get(f"{AT}?branch={mill.id}").data["effective_settings"] == {"base": "iso-1", "strictness": 5}
    assert client.get(f"{AT}?branch={quay.id}").data["effective_settings"] == {"base": "iso-1", "strictness": 3}
    assert client.get(AT).data["effective_settings"] == {"base": "iso-1", "strictness": 3}
    listed = client.get(f"{URL}std-stricter/").data["activations"]
    assert [(row["branch"], row["settings"]) for row in listed] == [
        (None, {"strictness": 3, "base": "iso-1"}),
        (str(mill.id), {"strictness": 5}),
    ]
    assert put(client, 1, branch=str(mill.id), settings={}).data["effective_settings"]["strictness"] == 3


@pytest.mark.parametrize(
    ("settings", "pointer", "allowed"),
    [
        ({"strictness": 10}, "#/settings/strictness", 9),
        ({"strictness": "much"}, "#/settings/strictness", "integer"),
        ({"bands": [1, -2]}, "#/settings/bands/1", 0),
        ({"colour": "red"}, "#/settings/colour", ["bands", "base", "strictness", "token"]),
        ({"base": None}, "#/settings/base", "string"),
    ],
)
def test_settings_the_schema_does_not_admit_are_refused_by_pointer(
    api, head_office, mill, host, settings, pointer, allowed
):
    response = put(api(head_office), 0, branch=str(mill.id), settings=settings)
    assert (response.status_code, response.json()["code"]) == (422, "pluginhost.settings_not_admitted")
    (error,) = response.json()["errors"]
    assert (error["pointer"], error["allowed"]) == (pointer, allowed)
    assert not PluginActivation.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_settings_that_no_database_can_keep_are_refused(api, head_office, host):
    client = api(head_office)
    for raw in (
        rb'{"is_active": null, "settings": {"base": "a\u0000b"}}',
        rb'{"is_active": null, "settings": {"base": "\ud800"}}',
        b'{"is_active": null, "settings": {"bands": [1e999]}}',
    ):
        response = client.put(AT, raw, content_type="application/json", headers={"If-Match": '"0"'})
        assert response.status_code in {400, 422}, response.content
    assert not PluginActivation.objects.exists()


def test_settings_of_the_group_may_not_spoil_those_of_a_branch(api, head_office, mill):
    schema = {
        "type": "object",
        "properties": {"low": {"type": "integer"}, "high": {"type": "integer"}},
        "if": {"properties": {"low": {"minimum": 5}}, "required": ["low"]},
        "then": {"properties": {"high": {"minimum": 5}}},
    }

    class Bands(Gate):
        def __init__(self):
            super().__init__("bands", lambda order: None)
            self.manifest = type(self.manifest)(
                name="bands", title="B", version="1", api=">=1", description="d", settings_schema=schema
            )

    url = f"{URL}bands/activation/"
    with using_plugins([Bands()]):
        client = api(head_office)
        assert put(client, 0, url, branch=str(mill.id), settings={"high": 2}).status_code == 200
        spoiling = put(client, 0, url, settings={"low": 7})
        assert spoiling.status_code == 422
        assert str(mill.id) in spoiling.json()["detail"]
        assert put(client, 0, url, settings={"low": 1}).status_code == 200


def test_the_version_that_was_read_is_needed(api, head_office, mill, host):
    client = api(head_office)
    assert client.put(AT, {"is_active": False, "settings": {}}).status_code == 428
    assert put(client, 1, is_active=False).status_code == 412
    assert put(client, 0, is_active=False).status_code == 200
    assert put(client, 0, is_active=True).status_code == 412
    assert put(client, 1, is_active=True).headers["ETag"] == '"2"'
    assert OutboxEvent.objects.count() == 2


def test_secrets_are_kept_and_never_shown(api, head_office, manager, mill, host):
    client = api(head_office)
    answer = put(client, 0, branch=str(mill.id), settings={"token": "s3cret-value", "strictness": 2})
    again = put(client, 1, branch=str(mill.id), settings={"strictness": 3})
    for response in (answer, again, client.get(URL), api(manager).get(f"{AT}?branch={mill.id}")):
        assert b"s3cret-value" not in response.content
    assert again.data["secrets_set"] == ["token"]
    assert PluginActivation.objects.get().settings == {"token": "s3cret-value", "strictness": 3}
    assert "s3cret-value" not in str(list(OutboxEvent.objects.values()))


def test_a_secret_that_is_not_admitted_is_not_repeated(api, head_office, mill, host):
    PluginActivation.objects.create(plugin="std-stricter", branch=mill, settings={"token": 700700})
    refused = put(api(head_office), 0, settings={"token": 900900})
    assert refused.json()["errors"][0]["pointer"] == "#/settings/token"
    stored = api(head_office).get(f"{AT}?branch={mill.id}")
    assert stored.data["problems"] == [{"path": ["token"], "message": "is not admitted (type)"}]
    assert b"900900" not in refused.content
    assert b"700700" not in stored.content


def test_who_may_do_what(api, clerk, hand, manager, outsider, head_office, mill, quay, host):
    assert api(None).get(URL).status_code == 401
    for user in (clerk, hand):
        assert api(user).get(URL).status_code == 403
        assert put(api(user), 0, is_active=False).status_code == 403
    assert api(manager).get(URL).status_code == 200
    assert put(api(manager), 0, branch=str(mill.id), is_active=False).status_code == 403
    assert api(outsider).get(f"{AT}?branch={mill.id}").status_code == 404
    assert api(manager).get(f"{AT}?branch={quay.id}").status_code == 404
    assert api(head_office).get(f"{AT}?branch=01890a5d-ac96-774b-bcce-b302099a8057").status_code == 404
    assert api(head_office).get(f"{AT}?branch=mill").status_code == 422
    assert not PluginActivation.objects.exists()


def test_a_manager_sees_the_settings_of_the_own_branch_only(api, manager, head_office, mill, quay, host):
    put(api(head_office), 0, branch=str(mill.id), settings={"strictness": 2})
    put(api(head_office), 0, branch=str(quay.id), settings={"strictness": 8})
    (row,) = api(manager).get(f"{URL}std-stricter/").data["activations"]
    assert row["branch"] == str(mill.id)


def test_unknown_fields_and_odd_shapes_are_refused(api, head_office, host):
    client = api(head_office)
    assert put(client, 0, colour="red").status_code == 400
    assert put(client, 0, settings=["a"]).status_code == 400
    assert put(client, 0, is_active="maybe").status_code == 400
    assert client.put(AT, {}, headers={"If-Match": '"0"'}).status_code == 400


def test_the_list_costs_the_same_whatever_was_decided(api, manager, mill, host, queries):
    client = api(manager)
    bare = queries(lambda: client.get(URL))
    for name in host.plugins:
        PluginActivation.objects.create(plugin=name, branch=mill, is_active=True)
        PluginActivation.objects.create(plugin=name, branch=None, is_active=False)
    assert queries(lambda: client.get(URL)) == bare
