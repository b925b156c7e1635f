"""How Skeleton Name sends."""

from __future__ import annotations

from opticshop.plugin_api import OutboundMessage
from opticshop.plugin_api.testing import conformance
from opticshop.pluginhost.skeletons.channel.plugin import SkeletonNameChannel, plugin

test_conformance = conformance(plugin)


def message(to: str) -> OutboundMessage:
    return OutboundMessage(
        id="m-1", to=to, subject="", body="Ready.", language="en", purpose="service", branch_name="North (invented)"
    )


def test_a_message_is_sent_once_however_often_it_is_handed_over() -> None:
    channel = SkeletonNameChannel()
    first = channel.send(message("+442079460018"), {"sender": "North"})
    assert first.state == "sent"
    assert channel.send(message("+442079460018"), {"sender": "North"}) == first


def test_without_a_number_there_is_no_second_try() -> None:
    assert SkeletonNameChannel().send(message(""), {"sender": "North"}).state == "refused"
