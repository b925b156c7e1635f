"""Handing out what plugins registered, bound to the settings of a branch and guarded against the plugin's defects.

What no healthy plugin brings, or what is switched off at the branch, raises PluginNotAvailable (409) naming it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, NamedTuple, TypeVar, get_args

from opticshop.branches.models import Branch
from opticshop.plugin_api import (
    DeliveryReport,
    IncomingReply,
    InspectionRequest,
    InvoiceExporter,
    InvoiceFacts,
    JournalEntry,
    LedgerExporter,
    LimitDescription,
    MessageChannel,
    MessageForm,
    OutboundMessage,
    RecallDecision,
    RecallPolicy,
    RecallSubject,
    Refusal,
    SendOutcome,
    Settings,
    StandardContext,
    TaxAssessment,
    TaxBasket,
    UnknownStandard,
    Verdict,
)

from ..activation import Activations
from ..discovery import said
from ..errors import PluginDefect, PluginNotAvailable, PluginRefused
from ..isolation import computed, decided
from ..manager import host
from ..registry import Brought
from .deciding import usable_settings

log = logging.getLogger("opticshop.plugins")
T = TypeVar("T")


class Evaluated(NamedTuple):
    """A verdict and the version of the plugin that gave it."""

    verdict: Verdict
    version: str


class Assessed(NamedTuple):
    """How a basket is taxed, and by what: the rule's title, its plugin and that plugin's version."""

    assessment: TaxAssessment
    rule: str
    title: str
    plugin: str
    version: str


@dataclass(frozen=True, slots=True)
class BoundChannel:
    """A channel with a branch's settings. ``needs`` is the kind of address it must be given, None for none."""

    name: str
    kind: str
    needs: str | None
    _brought: Brought[MessageChannel]
    _settings: Settings = field(repr=False)

    @property
    def batches(self) -> bool:
        """Whether its messages are composed to one document instead of being sent."""
        return bool(self._brought.thing.batches)

    @property
    def carries_files(self) -> bool:
        """Whether a message may have attachments."""
        return bool(self._brought.thing.carries_files)

    @property
    def hears_replies(self) -> bool:
        """Whether its carrier calls us: only then does an answer of the person reach us."""
        return type(self._brought.thing).read_callback is not MessageChannel.read_callback

    @property
    def form(self) -> MessageForm:
        """The form that messages must be written in. Raises PluginDefect."""

        def fault(answer: Any) -> str | None:
            return None if answer in get_args(MessageForm) else f"it returned {answer!r}, not a form"

        ask = partial(self._brought.thing.form, self._settings)
        return computed(self._brought.plugin, f"channel {self.name}: form", ask, check=fault)

    def send(self, message: OutboundMessage) -> SendOutcome:
        """Send once, outside any transaction. Never raises: what the plugin raises is the outcome "unknown"."""
        try:
            outcome = self._brought.thing.send(message, self._settings)
        except Exception as error:
            log.exception("channel %s of plugin %s failed", self.name, self._brought.plugin.name)
            return SendOutcome(state="unknown", detail=said(error)[:500])
        if not isinstance(outcome, SendOutcome):
            log.error("channel %s returned %s", self.name, type(outcome).__name__)
            return SendOutcome(state="unknown", detail=f"the channel answered with {type(outcome).__name__}")
        return outcome

    def compose(self, messages: Sequence[OutboundMessage]) -> bytes:
        """One PDF of all messages, outside any transaction: there is no time limit, a large batch takes its time.

        Raises PluginRefused where a message cannot be printed or the channel does not batch, PluginDefect.
        """
        plugin = self._brought.plugin.name
        try:
            document = self._brought.thing.compose(tuple(messages), self._settings)
            if not isinstance(document, bytes) or not document.startswith(b"%PDF-"):
                raise TypeError(f"it composed {type(document).__name__}, not a PDF")
        except Refusal as error:
            raise _refused(plugin, error) from error
        except Exception as error:
            log.exception("channel %s of plugin %s failed", self.name, plugin)
            raise PluginDefect(
                f"The plugin {plugin} failed in channel {self.name}: {type(error).__name__}", plugin=plugin
            ) from error
        return document

    def read_callback(self, headers: Mapping[str, str], body: bytes) -> Sequence[DeliveryReport | IncomingReply]:
        """What the carrier says in a call of its own.

        Raises PluginRefused where the plugin does not believe or understand the call, PluginDefect, DecideTooSlow.
        """

        def fault(answer: Any) -> str | None:
            sound = isinstance(answer, Sequence) and all(
                isinstance(one, DeliveryReport | IncomingReply) for one in answer
            )
            return None if sound else "it did not return a sequence of delivery reports and replies"

        ask = partial(self._brought.thing.read_callback, dict(headers), body, self._settings)
        plugin = self._brought.plugin
        try:
            return computed(plugin, f"channel {self.name}: callback", ask, check=fault, passes=(Refusal,))
        except Refusal as error:
            raise _refused(plugin.name, error) from error


@dataclass(frozen=True, slots=True)
class BoundPolicy:
    """A recall policy with a branch's settings."""

    name: str
    title: str
    _brought: Brought[RecallPolicy]
    _settings: Settings

    def due_on(self, subject: RecallSubject) -> RecallDecision:
        """The day of the next invitation. Raises PluginDefect or DecideTooSlow, naming the plugin."""

        def fault(answer: Any) -> str | None:
            if not isinstance(answer, RecallDecision):
                return f"it returned {type(answer).__name__}, not a recall decision"
            if answer.due_on is not None and answer.due_on <= subject.issued_on:
                return f"it invites on {answer.due_on}, not after {subject.issued_on}"
            return None

        ask = partial(self._brought.thing.due_on, subject, self._settings)
        return computed(self._brought.plugin, f"recall policy {self.name}", ask, check=fault)


@dataclass(frozen=True, slots=True)
class BoundExporter:
    """A file format for the books, with settings."""

    name: str
    title: str
    media_type: str
    file_extension: str
    _brought: Brought[LedgerExporter]
    settings: Settings

    @property
    def made_by(self) -> str:
        """The plugin and its version."""
        return f"{self._brought.plugin.name} {self._brought.plugin.manifest.version}"

    def under(self, settings: Settings) -> BoundExporter:
        """The same with other settings, for instance those a file was made with."""
        return replace(self, settings=settings)

    def export(self, entries: Iterable[JournalEntry]) -> Iterator[bytes]:
        """The file in pieces. Raises PluginDefect, naming the plugin, when it breaks on the way."""
        plugin = self._brought.plugin.name
        try:
            for piece in self._brought.thing.export(entries, self.settings):
                if not isinstance(piece, bytes):
                    raise TypeError(f"a piece of the file is {type(piece).__name__}, not bytes")
                yield piece
        except Exception as error:
            log.exception("ledger exporter %s of plugin %s failed", self.name, plugin)
            raise PluginDefect(
                f"The plugin {plugin} failed in ledger exporter {self.name}: {type(error).__name__}", plugin=plugin
            ) from error


@dataclass(frozen=True, slots=True)
class BoundInvoiceExporter:
    """A document format for invoices, with settings."""

    name: str
    title: str
    media_type: str
    file_extension: str
    _brought: Brought[InvoiceExporter]
    _settings: Settings

    def export(self, invoice: InvoiceFacts) -> bytes:
        """The document. Raises PluginRefused for what the format has no place for, PluginDefect, DecideTooSlow."""

        def fault(answer: Any) -> str | None:
            return (
                None if isinstance(answer, bytes) and answer else f"it returned {type(answer).__name__}, not a document"
            )

        ask = partial(self._brought.thing.export, invoice, self._settings)
        return decided(self._brought.plugin, f"invoice exporter {self.name}", ask, check=fault)


def _refused(plugin: str, error: Refusal) -> PluginRefused:
    return PluginRefused(error.message, plugin=plugin, plugin_code=error.code, field=error.field)


def channel(*, branch: Branch, name: str) -> BoundChannel:
    """The channel as it is set up at the branch."""
    brought, settings = _bound(branch, "channel", host().shelves.channels, name)
    thing = brought.thing
    return BoundChannel(name, thing.kind, thing.needs, brought, settings)


def recall_policy(*, branch: Branch, name: str) -> BoundPolicy:
    """The recall policy as it is set up at the branch."""
    brought, settings = _bound(branch, "recall policy", host().shelves.recall_policies, name)
    return BoundPolicy(name, brought.thing.title, brought, settings)


def ledger_exporters(*, branch: Branch | None) -> list[BoundExporter]:
    """Those that are switched on at the branch, or, without one, for the group; by name."""
    activations = Activations.at(branch.id if branch else None)
    place = branch.id if branch else None
    shelf = sorted(host().shelves.ledger_exporters.items())
    active = [(name, one) for name, one in shelf if activations.is_active(one.plugin, place)]
    return [
        BoundExporter(
            name,
            one.thing.title,
            one.thing.media_type,
            one.thing.file_extension,
            one,
            activations.standing(one.plugin, place).settings,
        )
        for name, one in active
    ]


def ledger_exporter(*, branch: Branch | None, name: str) -> BoundExporter:
    """The ledger exporter as it is set up at the branch, or, without one, for the group."""
    brought, settings = _bound(branch, "ledger exporter", host().shelves.ledger_exporters, name)
    thing = brought.thing
    return BoundExporter(name, thing.title, thing.media_type, thing.file_extension, brought, settings)


def invoice_exporter(*, branch: Branch | None, name: str) -> BoundInvoiceExporter:
    """The invoice exporter as it is set up at the branch, or, without one, for the group."""
    brought, settings = _bound(branch, "invoice exporter", host().shelves.invoice_exporters, name)
    thing = brought.thing
    return BoundInvoiceExporter(name, thing.title, thing.media_type, thing.file_extension, brought, settings)


def tax_assess(*, branch: Branch, rule: str, basket: TaxBasket) -> Assessed:
    """The basket's prices divided by a tax rule under the branch's settings.

    Raises PluginNotAvailable when the rule is not active at the branch, PluginRefused when it knows no rate for the day
    or place; PluginDefect or DecideTooSlow when its plugin fails: there is then no price at all.
    """
    brought, settings = _bound(branch, "tax rule", host().shelves.tax_rules, rule)

    def fault(answer: Any) -> str | None:
        if not isinstance(answer, TaxAssessment):
            return f"it returned {type(answer).__name__}, not a tax assessment"
        if tuple(line.line for line in answer.lines) != basket.lines:
            return "it assessed other lines than it was given"
        if any(amount % basket.minor_unit for part in answer.parts for amount in (part.net, part.tax)):
            return f"its parts are not in the smallest unit of {basket.currency}"
        return None

    ask = partial(brought.thing.assess, basket, settings)
    assessment = decided(brought.plugin, f"tax rule {rule}", ask, check=fault)
    return Assessed(assessment, rule, brought.thing.title, brought.plugin.name, brought.plugin.manifest.version)


def tolerance_evaluate(*, branch: Branch, standard_key: str, request: InspectionRequest) -> Evaluated:
    """The verdict of a standard under the branch's settings, with the version of the plugin that judged.

    Raises PluginNotAvailable when the standard, or one that it builds on, is not active at the branch; PluginDefect or
    DecideTooSlow when its plugin fails: there is then no verdict at all.
    """
    activations = Activations.at(branch.id)
    brought, _ = _taken(activations, branch, "tolerance standard", host().shelves.tolerance_standards, standard_key)

    def fault(answer: Any) -> str | None:
        if not isinstance(answer, Verdict):
            return f"it returned {type(answer).__name__}, not a verdict"
        if answer.standard_key != standard_key:
            return f"its verdict names the standard {answer.standard_key}"
        return None

    ask = partial(_standards(activations, branch).evaluate, standard_key, request)
    what = f"tolerance standard {standard_key}"
    try:
        verdict = computed(brought.plugin, what, ask, check=fault, passes=(UnknownStandard,))
    except UnknownStandard as error:
        raise PluginNotAvailable(error.message, field="standard", plugin=brought.plugin.name) from error
    return Evaluated(verdict, brought.plugin.manifest.version)


def tolerance_limits(*, branch: Branch | None, standard_key: str) -> Sequence[LimitDescription]:
    """Every limit of a standard under the settings of the branch, or of the group. Raises as tolerance_evaluate."""
    activations = Activations.at(branch.id if branch else None)
    brought, _ = _taken(activations, branch, "tolerance standard", host().shelves.tolerance_standards, standard_key)

    def fault(answer: Any) -> str | None:
        sound = isinstance(answer, Sequence) and all(isinstance(one, LimitDescription) for one in answer)
        return None if sound else "it did not return a sequence of limit descriptions"

    ask = partial(_standards(activations, branch).limits, standard_key)
    what = f"tolerance standard {standard_key}"
    try:
        return computed(brought.plugin, what, ask, check=fault, passes=(UnknownStandard,))
    except UnknownStandard as error:
        raise PluginNotAvailable(error.message, field="standard", plugin=brought.plugin.name) from error


def _standards(activations: Activations, branch: Branch | None) -> StandardContext:
    """The standards in force at the branch: those of active plugins whose stored settings are admitted."""
    place = branch.id if branch else None
    standings = {
        key: (brought.thing, activations.standing(brought.plugin, place))
        for key, brought in host().shelves.tolerance_standards.items()
    }
    usable = {key: pair for key, pair in standings.items() if pair[1].is_active and not pair[1].problems}
    return StandardContext(
        {key: standard for key, (standard, _) in usable.items()},
        {key: standing.settings for key, (_, standing) in usable.items()},
    )


def _bound(branch: Branch | None, word: str, shelf: Mapping[str, Brought[T]], key: str) -> tuple[Brought[T], Settings]:
    return _taken(Activations.at(branch.id if branch else None), branch, word, shelf, key)


def _taken(
    activations: Activations, branch: Branch | None, word: str, shelf: Mapping[str, Brought[T]], key: str
) -> tuple[Brought[T], Settings]:
    """The thing of that key and the settings in force for its plugin. Raises PluginNotAvailable."""
    place = branch.id if branch else None
    if key not in shelf:
        available = [name for name, brought in shelf.items() if activations.is_active(brought.plugin, place)]
        raise PluginNotAvailable(f"No installed plugin brings the {word} {key}.", wanted=key, available=available)
    brought = shelf[key]
    standing = activations.standing(brought.plugin, place)
    if not standing.is_active:
        where = f"at branch {branch.code}" if branch else "for the group"
        raise PluginNotAvailable(
            f"The {word} {key} belongs to the plugin {brought.plugin.name}, which is switched off {where}.",
            wanted=key,
            plugin=brought.plugin.name,
        )
    return brought, usable_settings(brought.plugin, standing)
