"""Channels bound to a branch: batches, carriers' calls and forms, guarded against the plugin; secrets over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from django.test import override_settings

from opticshop.plugin_api import DeliveryReport, IncomingReply, MessageChannel, Refusal, SendOutcome, hookimpl
from opticshop.plugin_api.testing import samples as api_samples
from opticshop.pluginhost import services as plugins
from opticshop.pluginhost.errors import DecideTooSlow, PluginDefect, PluginRefused
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.testing import using_plugins
from tests.pluginhost.samples import ChannelPlugin, asleep, manifest

pytestmark = pytest.mark.django_db
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
SAID = (
    DeliveryReport(id="r-1", message_id="m-1", state="delivered", at=AT),
    IncomingReply(id="r-2", sender="+442079460018", text="STOP", received_at=AT),
)


class Press(MessageChannel):
    """Answers everything with what its settings name, so that the settings of the branch are seen to arrive."""

    name, title, kind, needs, batches = "press", "Press", "letter", "postal", True

    def __init__(self, answer):
        self.answer = answer

    def send(self, message, settings):
        return SendOutcome(state="retry")

    def form(self, settings):
        return settings["form"]

    def compose(self, messages, settings):
        return self.answer(messages, settings)

    def read_callback(self, headers, body, settings):
        return self.answer(headers, settings)


class PressPlugin:
    manifest = manifest(
        "presses",
        settings_schema={"type": "object", "properties": {"form": {"type": "string"}}},
        default_settings={"form": "letter"},
    )

    def __init__(self, answer=lambda given, settings: None):
        self.answer = answer

    @hookimpl
    def register_channels(self):
        return (Press(self.answer),)


def refuse(given, settings):
    raise Refusal("press.no", "This cannot be.", "m-2")


def test_a_batch_is_composed_under_the_settings_of_the_branch(mill):
    PluginActivation.objects.create(plugin="presses", branch=mill, settings={"form": "postcard"})
    messages = [api_samples.message("postal")]
    with using_plugins([PressPlugin(lambda given, settings: f"%PDF-{len(given)} {settings['form']}".encode())]):
        bound = plugins.channel(branch=mill, name="press")
        assert (bound.batches, bound.form, bound.kind) == (True, "postcard", "letter")
        assert bound.compose(messages) == b"%PDF-1 postcard"
    with using_plugins([ChannelPlugin()]):
        pigeon = plugins.channel(branch=mill, name="pigeon")
        assert (pigeon.batches, pigeon.form) == (False, "long")
        with pytest.raises(PluginRefused) as caught:
            pigeon.compose(messages)
        assert caught.value.plugin_code == "pigeon.no-batches"
        with pytest.raises(PluginRefused) as caught:
            pigeon.read_callback({}, b"")
        assert caught.value.plugin_code == "pigeon.no-callbacks"


def test_what_a_carrier_says_is_handed_on(mill):
    with using_plugins([PressPlugin(lambda given, settings: SAID)]):
        assert plugins.channel(branch=mill, name="press").read_callback({"a": "b"}, b"{}") == SAID


def test_a_refusal_keeps_its_code_and_its_field(mill):
    with using_plugins([PressPlugin(refuse)]):
        bound = plugins.channel(branch=mill, name="press")
        for ask in (lambda: bound.compose([]), lambda: bound.read_callback({}, b"")):
            with pytest.raises(PluginRefused) as caught:
                ask()
            assert (caught.value.plugin, caught.value.plugin_code, caught.value.field) == ("presses", "press.no", "m-2")


@pytest.mark.parametrize(
    "answer",
    [
        lambda given, settings: None,
        lambda given, settings: 1 / 0,
        lambda given, settings: "%PDF-",
        lambda given, settings: b"no PDF",
        lambda given, settings: ["delivered"],
    ],
)
def test_a_channel_that_breaks_is_named(mill, answer):
    PluginActivation.objects.create(plugin="presses", branch=mill, settings={"form": "poem"})
    with using_plugins([PressPlugin(answer)]):
        bound = plugins.channel(branch=mill, name="press")
        for ask in (lambda: bound.compose([]), lambda: bound.read_callback({}, b""), lambda: bound.form):
            with pytest.raises(PluginDefect, match="presses") as caught:
                ask()
            assert caught.value.plugin == "presses"


@override_settings(OPTICSHOP_PLUGIN_DECIDE_SECONDS=0.05)
def test_a_callback_that_is_never_read_is_given_up(mill):
    with using_plugins([PressPlugin(lambda given, settings: asleep(0.4)(None))]), pytest.raises(DecideTooSlow):
        plugins.channel(branch=mill, name="press").read_callback({}, b"")


def test_the_secrets_of_the_real_channels_go_in_and_never_come_out(api, head_office, mill):
    mail = pytest.importorskip("opticshop_mail_channel").plugin
    texts = pytest.importorskip("opticshop_text_gateway").plugin
    secret = "whsec_" + "s3cretS3" * 4
    client = api(head_office)
    with using_plugins([mail, texts]):
        for plugin, own in (
            ("opticshop-mail-channel", {"username": "north", "password": secret}),
            ("opticshop-text-gateway", {"token": secret, "signing_secret": secret, "callback_secret": secret}),
        ):
            answer = client.put(
                f"/api/v1/plugins/{plugin}/activation/",
                {"branch": str(mill.id), "is_active": None, "settings": own},
                headers={"If-Match": '"0"'},
            )
            assert answer.status_code == 200, answer.content
            assert set(answer.data["secrets_set"]) == set(own) - {"username"}
            seen = [answer, *(client.get(f"/api/v1/plugins/{path}") for path in ("", f"{plugin}/"))]
            assert not any("s3cret" in one.content.decode() for one in seen)
        refused = client.put(
            "/api/v1/plugins/opticshop-mail-channel/activation/",
            {"is_active": None, "settings": {"host": "mail.example.org", "security": "none"}},
            headers={"If-Match": '"0"'},
        )
        assert refused.status_code == 422
        assert refused.json()["errors"][0]["pointer"] == "#/settings/host"
        assert "s3cret" not in repr(plugins.channel(branch=mill, name="mail"))
