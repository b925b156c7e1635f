"""The copy of an access request: one ZIP of data, papers, a word of explanation and a manifest of SHA-256."""

from __future__ import annotations

import hashlib
import io
import json
import textwrap
import zipfile
from collections.abc import Iterator
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder

from opticshop.core import clock

from .access_data import data_files, plain_name
from .access_page import data_page
from .access_papers import papers
from .periods import periods_at
from .persons import Person, personal_models
from .planning import plan_for
from .recipients import Recipient, recipients_of
from .rules import RecordKind, policy

#: The earliest moment that a ZIP can state: nothing depends on the clock but the words in README.txt.
_MOMENT = (1980, 1, 1, 0, 0, 0)

README = """\
What is kept about you
======================

This is the copy that you, or your guardian, asked for, made on {day}:
everything that {shop} keeps about you.

everything.html  all of it to read: open it in any browser.
papers/     prescriptions, receipts, invoices, certificates and letters as PDF.
files/      photographs of your spectacles and outlines of your frames.
data/       the same as everything.html, as JSON for programs, so that you can take it elsewhere; in folders by what it
            is for: who you are (identity), your prescriptions and measurements (clinical), your orders and how they
            were made (supply), payments (bookkeeping), public vouchers (scheme), what you agreed to (evidence),
            messages, appointments, recalls, what others call you (outside), what you asked about your data (privacy),
            and who looked at your record (trail). Each file says what it holds and what its fields mean.
kept-and-why.json  which records are kept, until when they must be, and why.
manifest.json  every file with its size and SHA-256, by which you can see that nothing was changed.

{merged}
Not in it: the names of staff, which are their own data (roles are told instead; papers are as they were issued),
anything about other people, your family among them, and what lenses and losses cost us. Powers are in dioptres, lengths
in millimetres, moments in UTC.

What it is, what for, and from whom (GDPR, article 15(1)(a), (b) and (g))
-----------------------------------------------------------------------
{purposes}

To whom something was given (c)
-------------------------------
{recipients}

How long it is kept (d)
-----------------------
{periods}
What must be kept of yours, until which day and why, stands in kept-and-why.json.

What you may ask (e), (f)
-------------------------
That mistakes are put right; that what need not be kept is erased; that your record is kept and not used; that it is
not used for what you object to, marketing above all; what you gave us in a form for programs (data/). What you agreed
to you may take back at any time. You may complain to the authority that supervises data protection where you live or
work.

Decisions by a program alone (h)
--------------------------------
None that bind you. Programs compute lenses, prices and when to remind you; people see it and can decide otherwise.
"""


def access_zip(person: Person) -> bytes:
    """The bytes of the copy. The same rows give the same entries, save for the day in README.txt."""
    buffer = io.BytesIO()
    manifest: list[dict[str, Any]] = []
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:

        def put(name: str, content: bytes) -> None:
            entry = zipfile.ZipInfo(name, _MOMENT)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o600 << 16
            archive.writestr(entry, content)
            manifest.append({"name": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()})

        put("README.txt", _readme(person).encode())
        files = list(data_files(person))
        put("everything.html", data_page(files).encode())
        for file in files:
            put(file.name, _json(file.content()))
        for name, content in papers(person):
            put(name, content)
        put("kept-and-why.json", _json(_reasons(person)))
        put("manifest.json", _json({"algorithm": "SHA-256", "files": list(manifest)}))
    return buffer.getvalue()


def _reasons(person: Person) -> dict[str, Any]:
    """What is told with a copy of how long each record is kept, and why (GDPR, article 15(1)(d))."""
    plan = plan_for(person)
    rows = [
        {
            "records": plain_name(personal_models()[each.table]),
            "kind": each.kind,
            "how_many": each.rows,
            "if_erased_now": each.what,
        }
        | {"must_be_kept_until": each.until, "why": each.why}
        for each in plan.tables
    ]
    return {"last_seen": person.last_seen, "rows": rows}


def _json(value: Any) -> bytes:
    return json.dumps(value, cls=DjangoJSONEncoder, ensure_ascii=False, indent=1).encode()


def _readme(person: Person) -> str:
    others = len(person.records) - 1
    merged = f"You were registered {others + 1} times; all of these records are in it.\n" if others else ""
    kinds = _kinds(person)
    return README.format(
        shop=person.root.branch.name,
        day=clock.now().date(),
        merged=merged,
        purposes="\n".join(_purpose(kind) for kind in kinds),
        recipients="\n".join(map(_recipient, recipients_of(person))) or "Nobody, as far as the records say.",
        periods="\n".join(_periods(person, kinds)),
    )


def _kinds(person: Person) -> list[RecordKind]:
    """Of which something is kept; who looked at the record is kept of everybody."""
    held = {policy().rules[table].kind for table in person.keys} | {RecordKind.TRAIL}
    return [kind for kind in RecordKind if kind in held]


def _purpose(kind: RecordKind) -> str:
    told = policy().purposes[kind]
    return _item(f"{told.category} ({kind}): {told.purpose}. From: {told.source}.")


def _recipient(each: Recipient) -> str:
    days = f"on {each.first}" if each.first == each.last else f"{each.times} times from {each.first} to {each.last}"
    return _item(f"{each.name}: {each.what}, {days}.")


def _periods(person: Person, kinds: list[RecordKind]) -> Iterator[str]:
    periods = periods_at(person.root.branch.jurisdiction, clock.today(person.root.branch.time_zone))
    for kind in kinds:
        period = periods.get(kind)
        if period is None:
            yield _item(f"{kind}: as long as it is needed for what stands above, or until you ask that it is erased.")
            continue
        since = "from the day of each" if period.of_each_row else "after you were last here"
        child = f"; of a child at least to the age of {period.to_age}" if period.to_age else ""
        yield _item(f"{kind}: {period.years} years {since}{child} ({period.source}).")


def _item(words: str) -> str:
    """One line of a list, in lines of 120 characters."""
    return textwrap.fill(words, 120, initial_indent="- ", subsequent_indent="  ", break_long_words=False)
