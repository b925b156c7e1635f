"""After a restore the world outside knows more than the database. What that means, and what is done about it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction

from opticshop.audit.services import note
from opticshop.core import acting, clock
from opticshop.correspondence.models import Message
from opticshop.integrations.feed import lock_head
from opticshop.integrations.models import FeedHead
from opticshop.reports.models import ReportMail

#: Positions of the feed that may have been given out since the backup are never given out again.
LEAP = 1_000_000
_LONG_AGO = dt.timedelta(days=1)


def settle(manifest: dict[str, Any]) -> list[str]:
    """Write into the restored database what keeps it from harm; returns in sentences what must be known of it."""
    now = clock.now()
    made_at = dt.datetime.fromisoformat(manifest["made_at"])
    with acting.system_acting("restore", f"backup of {manifest['made_at']}"), transaction.atomic():
        head = lock_head()
        FeedHead.objects.filter(id=head.id).update(last=head.last + LEAP)
        held = (
            Message.objects.everywhere("a restored database must send nothing twice")
            .filter(state=Message.State.QUEUED, awaits_batch=False, due_at__lte=now)
            .update(state=Message.State.SENDING, attempted_at=now - _LONG_AGO)
        )
        held += ReportMail.objects.filter(state=ReportMail.State.QUEUED).update(
            state=ReportMail.State.SENDING, attempted_at=now - _LONG_AGO
        )
        note(
            action="other",
            table="django_migrations",
            after={"restored": manifest["made_at"], "feed_leaps_to": head.last + LEAP, "messages_held": held},
        )
    lost = f"between {made_at:%Y-%m-%d %H:%M} UTC, when the backup was made, and now"
    return [
        f"What was done {lost} is lost: orders, payments, receipts, jobs, consents and erasures have to be done again.",
        "Numbers given out since then are given out again: compare the last printed receipt and invoice with "
        "/api/v1/receipts/ and /api/v1/invoices/ before the first sale.",
        f"The feed of events goes on at {head.last + LEAP + 1}. Receivers' cursors stay good; events that they got "
        "since the backup are known to nobody here any more. Waiting webhooks are sent again, under the same id.",
        f"{held} messages that were due are not sent: nobody can know whether they were. They end as 'not known', and "
        "a person decides.",
        "Seals of the audit trail set since the backup are missing: audit_verify --anchor will name them.",
    ]
