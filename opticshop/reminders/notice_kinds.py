"""The kinds of message that recall people: first, second and final notice, as an invitation or with an offer.

The texts say that an examination is due, the longer ones since when, and nothing about the eyes (data protection, from
memory).
"""

from __future__ import annotations

import datetime as dt
import uuid
from string import Template

from opticshop.branches.calendars import calendar_of
from opticshop.correspondence.kinds import MessageKind, Purpose, declare
from opticshop.correspondence.models import Message
from opticshop.correspondence.wording import Wording

from .moments import NoTimeToSend, sendable_at
from .selectors import campaign_with_hours, why_not_told

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


def _leaves_at(message: Message, moment: dt.datetime) -> dt.datetime:
    """In the hours of the branch's open campaign, also where the sending is late or was tried before."""
    campaign = campaign_with_hours(message.branch_id)
    if campaign is None:
        return moment
    try:
        return sendable_at(
            moment,
            quiet_from=campaign.quiet_from,
            quiet_to=campaign.quiet_to,
            calendar=calendar_of(campaign.branch),
            open_days_only=campaign.open_days_only,
        )
    except NoTimeToSend:
        return moment


#: ordinal -> (word in the name, title, what the notice begins with, before "examination" and its owner)
_OPENINGS = {
    1: ("first", "First notice", "", "next "),
    2: ("second", "Second notice", "we wrote to you before: ", ""),
    3: ("final", "Final notice", "this is our last notice: ", ""),
}


def _wording(opening: str, next_: str, *, ward: bool) -> Wording:
    """To the person, or to the guardian of a child, who may have several: the child is named."""
    due = f"{opening}the {next_}examination of $wearer is due" if ward else f"{opening}your {next_}examination is due"
    since = "If $wearer has been examined since" if ward else "If you have been examined since"
    of_whom = "the next examination of $wearer" if ward else "your next examination"
    return Wording(
        subject=Template(f"Time for {of_whom} at $branch_name"),
        long=Template(
            f"Dear $name,\n\n{due} from $due_on.\n"
            "Please make an appointment at $branch_name$branch_where.\n"
            f"{since}, or you do not want to hear of this, please tell us.\n\n"
            "$branch_name"
        ),
        short=Template(f"$branch_name: {due}. Please make an appointment$branch_where."),
    )


def _kind(ordinal: int, *, promotes: bool) -> MessageKind:
    word, title, opening, next_ = _OPENINGS[ordinal]
    purpose: Purpose = "marketing" if promotes else "recall"
    return declare(
        MessageKind(
            name=f"recall_{word}_offer" if promotes else f"recall_{word}",
            title=f"{title}: an examination is due" + (", with an offer" if promotes else ""),
            purpose=purpose,
            placeholders=("due_on",),
            open_placeholders=("due_on",),
            wording=_wording(opening, next_, ward=False),
            for_ward=_wording(opening, next_, ward=True),
            days=("due_on",),
            leaves_at=_leaves_at,
            gone=_gone,
            examples={"due_on": "2026-03-02"},
        )
    )


INVITATIONS = {ordinal: _kind(ordinal, promotes=False) for ordinal in _OPENINGS}
OFFERS = {ordinal: _kind(ordinal, promotes=True) for ordinal in _OPENINGS}
NAMES = frozenset(kind.name for kinds in (INVITATIONS, OFFERS) for kind in kinds.values())
