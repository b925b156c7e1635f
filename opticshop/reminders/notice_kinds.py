"""The kinds of message that recall people: first, second and final notice, as an invitation or with an offer.

The texts say that an examination is due, the longer ones since when, and nothing about the eyes (data protection, from
memory).
"""

from __future__ import annotations

import uuid
from string import Template

from opticshop.correspondence.kinds import MessageKind, Purpose, declare
from opticshop.correspondence.models import Message
from opticshop.correspondence.wording import Wording

from .selectors import why_not_told

PREFIX = "recalls/"


def about(recall_id: uuid.UUID) -> str:
    """What a notice is about, for every kind of notice of the recall."""
    return f"{PREFIX}{recall_id}"


def recall_id_of(subject_ref: str) -> uuid.UUID | None:
    """The recall that a message is about; None where it is about something else."""
    if not subject_ref.startswith(PREFIX):
        return None
    return uuid.UUID(subject_ref.removeprefix(PREFIX).split("/")[0])


def kind_of(ordinal: int, *, promotes: bool) -> MessageKind:
    return (OFFERS if promotes else INVITATIONS)[ordinal]


def _gone(message: Message) -> str:
    recall_id = recall_id_of(message.subject_ref)
    return "There is no such recall." if recall_id is None else why_not_told(recall_id)


#: ordinal -> (word in the name, title, what the notice begins with)
_OPENINGS = {
    1: ("first", "First notice", "your next examination is due"),
    2: ("second", "Second notice", "we wrote to you before: your examination is due"),
    3: ("final", "Final notice", "this is our last notice: your examination is due"),
}


def _kind(ordinal: int, *, promotes: bool) -> MessageKind:
    word, title, opening = _OPENINGS[ordinal]
    purpose: Purpose = "marketing" if promotes else "recall"
    return declare(
        MessageKind(
            name=f"recall_{word}_offer" if promotes else f"recall_{word}",
            title=f"{title}: an examination is due" + (", with an offer" if promotes else ""),
            purpose=purpose,
            placeholders=("due_on",),
            open_placeholders=("due_on",),
            wording=Wording(
                subject=Template("Time for your next examination at $branch_name"),
                long=Template(
                    f"Dear $name,\n\n{opening} from $due_on.\n"
                    "Please make an appointment at $branch_name$branch_where.\n"
                    "If you have been examined since, or do not want to hear of this, please tell us.\n\n"
                    "$branch_name"
                ),
                short=Template(f"$branch_name: {opening}. Please make an appointment$branch_where."),
            ),
            gone=_gone,
            examples={"due_on": "2026-03-02"},
        )
    )


INVITATIONS = {ordinal: _kind(ordinal, promotes=False) for ordinal in _OPENINGS}
OFFERS = {ordinal: _kind(ordinal, promotes=True) for ordinal in _OPENINGS}
NAMES = frozenset(kind.name for kinds in (INVITATIONS, OFFERS) for kind in kinds.values())
