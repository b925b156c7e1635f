"""The copy of an access request: one ZIP of data, papers, a word of explanation and a manifest of SHA-256."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder

from opticshop.core import clock

from .access_data import data_files, plain_name
from .access_page import data_page
from .access_papers import papers
from .persons import Person, personal_models
from .planning import plan_for

#: The earliest moment that a ZIP can state: nothing depends on the clock but the words in README.txt.
_MOMENT = (1980, 1, 1, 0, 0, 0)

README = """\
What is kept about you
======================

This is the copy that you, or your guardian, asked for: everything that {shop} keeps about you, made on {day}.

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

You may ask that mistakes are put right, that what need not be kept is erased, or that your record is not used; and you
may complain to the authority that supervises data protection.
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
    return README.format(shop=person.root.branch.name, day=clock.now().date(), merged=merged)
