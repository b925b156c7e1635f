"""Loaded in the processes of a fault run only: brings the channel and the one kind of message."""

from __future__ import annotations

from string import Template

from django.apps import AppConfig

KIND = "fault_notice"


class FaultsConfig(AppConfig):
    name = "tests.faults"
    label = "faults"

    def ready(self) -> None:
        from opticshop.pluginhost import manager, notifying
        from opticshop.pluginhost.discovery import installed_offers
        from opticshop.pluginhost.testing import offer_of

        from .carrier import plugin

        declare_kind()
        built = manager.build([*installed_offers(), offer_of(plugin)])
        if (before := manager.install(built)) is not None:
            notifying.unsubscribe(before)
        notifying.subscribe(built)


def declare_kind() -> None:
    from opticshop.correspondence.kinds import MessageKind, declare
    from opticshop.correspondence.wording import Wording

    text = Template("Dear $name, this is an invented notice of $branch_name.")
    declare(
        MessageKind(
            name=KIND,
            title="A notice of a fault run",
            purpose="recall",
            placeholders=(),
            wording=Wording(subject=Template("An invented notice"), long=text, short=text),
            gone=never_gone,
        )
    )


def never_gone(message: object) -> str:
    return ""
