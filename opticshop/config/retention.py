"""What becomes of each table when a person is erased, and how long what must stay is kept. Read it row by row.

Law differs and changes: the periods are what we start from, each with source and confidence; the group writes its own
(``/api/v1/privacy/periods/``). A table with a way to the customer that is missing here fails ``tests/privacy``.
"""

from __future__ import annotations

from opticshop.privacy.rules import AtErasure, Beyond, Period, Policy, Purpose, RecordKind, Rule

DELETE, BLANK, KEEP = AtErasure.DELETE, AtErasure.BLANK, AtErasure.KEEP
K = RecordKind
_LAYE = "guidance of the professional body of optometrists in the UK"

_CLINICAL = "health record: duty of care and legal claims (GDPR, article 17(3)(b), (c) and (e))"
_SUPPLY = "part of the dispensing record, and what traces a medical device (GDPR, article 17(3)(b) and (e))"
_BOOKS = "bookkeeping: what was issued must stay as it was issued (GDPR, article 17(3)(b))"
_SCHEME = "a public scheme may ask to see it (GDPR, article 17(3)(b))"
_EVIDENCE = "shows what was agreed to and when (GDPR, articles 7(1) and 17(3)(e)); append-only, codes and dates"
_ASKED = "shows that what was asked was done (GDPR, article 5(2))"
_NOT_NEEDED = "no longer needed for what it was kept for (GDPR, article 17(1)(a))"

RULES: dict[str, Rule] = {
    "customers_customer": Rule(
        K.IDENTITY,
        BLANK,
        "the key stays, because what is kept hangs on it; who it was is in privacy_keptidentity while that is needed",
        {
            "given_name": "(erased)",
            "family_name": "",
            "search_given": "",
            "search_family": "",
            "birth_date": None,
            "email": "",
            "phone": "",
            "phone_e164": "",
            "address": "",
            "postcode": "",
            "guardian": None,
            "is_sight_impaired": False,
            "preferred_channel": "none",
            "wants_recalls": False,
            "wants_marketing": False,
            "note": "",
            "deceased_on": None,
            "moved_away_on": None,
            "contact_confirmed_on": None,
        },
    ),
    "customers_contactrefusal": Rule(K.EVIDENCE, KEEP, "a stop stays a stop; holds codes only"),
    "customers_consentchange": Rule(K.EVIDENCE, KEEP, _EVIDENCE),
    "customers_statuschange": Rule(K.EVIDENCE, KEEP, _EVIDENCE),
    "customers_wrongaddress": Rule(K.IDENTITY, DELETE, _NOT_NEEDED),
    "customers_customermerge": Rule(
        K.IDENTITY,
        BLANK,
        "which records are of one person stays, because what must be kept hangs on them",
        {"reason": "erased", "filled": {}, "undone_reason": "erased"},
        paths=("survivor", "merged"),
    ),
    "prescriptions_prescription": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "prescriptions_prescribedeye": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "prescriptions_prescribedprism": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "prescriptions_measurement": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "prescriptions_recallfact": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "prescriptions_dispensingoverride": Rule(K.CLINICAL, KEEP, _CLINICAL),
    "orders_order": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "orders_orderline": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "orders_orderedlens": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "orders_promise": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "orders_quotation": Rule(
        K.SUPPLY,
        BLANK,
        "figures of an offer stay with the orders; the words go",
        {"note": "", "withdrawn_reason": "erased"},
    ),
    "orders_quotationline": Rule(K.SUPPLY, KEEP, "figures of an offer, without words of the person"),
    "prices_promotionuse": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "prices_schemevoucher": Rule(K.SCHEME, KEEP, _SCHEME),
    "prices_claimadjustment": Rule(K.SCHEME, KEEP, _SCHEME),
    "billing_payment": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "billing_receipt": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "billing_supply": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "billing_settlement": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "billing_helddeposit": Rule(K.BOOKKEEPING, KEEP, _BOOKS),
    "billing_invoice": Rule(K.BOOKKEEPING, KEEP, _BOOKS + "; an invoice names its buyer"),
    "purchasing_lensorder": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "workshop_job": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "workshop_jobstep": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "workshop_breakage": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "workshop_lensreading": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "workshop_frametrace": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_inspection": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_usedinstrument": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_inspectiondraft": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_draftreading": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_photograph": Rule(K.SUPPLY, KEEP, _SUPPLY + "; the file on the disk goes with the row"),
    "quality_deviationpoint": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_handover": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_supervisedstage": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "quality_pairreturn": Rule(K.SUPPLY, KEEP, _SUPPLY),
    "appointments_appointment": Rule(
        K.APPOINTMENTS,
        BLANK,
        "that a time was taken stays for the figures; the words go",
        {"note": "", "cancelled_reason": "erased"},
    ),
    "correspondence_message": Rule(
        K.MESSAGES,
        BLANK,
        "that something was sent, when and by which way stays; the address and the text go",
        {"to": "", "subject": "", "body": "", "values": {}, "detail": "", "provider_reference": ""},
    ),
    "correspondence_deliverynote": Rule(K.MESSAGES, DELETE, _NOT_NEEDED),
    "correspondence_reply": Rule(K.MESSAGES, DELETE, _NOT_NEEDED, paths=("customer", "message__customer")),
    "reminders_recall": Rule(K.RECALLS, DELETE, _NOT_NEEDED),
    "exchange_outside_identifier": Rule(K.OUTSIDE, DELETE, _NOT_NEEDED, paths=("customer", "prescription__customer")),
    "privacy_privacyrequest": Rule(K.PRIVACY, KEEP, _ASKED),
    "privacy_privacystep": Rule(K.PRIVACY, KEEP, _ASKED),
    "privacy_accessfile": Rule(
        K.PRIVACY, BLANK, "the copy goes; that it was made and fetched stays", {"state": "expired", "content": None}
    ),
    "privacy_keptidentity": Rule(K.IDENTITY, KEEP, "who the kept records are of; for who may handle requests only"),
}

BEYOND: dict[str, Beyond] = {
    "core_outboxevent": Beyond(K.TRAIL, "values of the person are cut out of the events about them", "ids stay"),
    "core_eventdelivery": Beyond(K.TRAIL, "what a handler said when it failed is emptied", _NOT_NEEDED),
    "core_idempotencyrecord": Beyond(K.TRAIL, "kept answers about the person are emptied", "48 hours at most"),
    "integrations_webhookattempt": Beyond(K.TRAIL, "what a receiver answered to such an event is emptied", _NOT_NEEDED),
    "imports_importrow": Beyond(K.OUTSIDE, "cells of rows that were of the person are emptied", _NOT_NEEDED),
    "imports_importfile": Beyond(
        K.OUTSIDE, "an unfinished file that names the person stands in the way of erasure", "it cannot be cut"
    ),
    "imports_outsidekey": Beyond(
        K.OUTSIDE, "stays", "so that the same file does not bring the person back", keeps_values=True
    ),
    "alerts_alert": Beyond(K.SUPPLY, "notes on alerts about the person's documents are emptied", _NOT_NEEDED),
    "alerts_alertstep": Beyond(
        K.SUPPLY, "stays", "append-only; says who saw to an alert, and names documents by number", keeps_values=True
    ),
    "correspondence_letterbatch": Beyond(
        K.MESSAGES, "the printed document of a posted batch is let go", "it holds letters of several people"
    ),
    "stock_movement": Beyond(
        K.SUPPLY,
        "words on movements for the person's orders are emptied, where the service owns the database",
        "figures, lots and document numbers stay: the ledger of pieces (GDPR, article 17(3)(b))",
    ),
    "ledger_line": Beyond(K.BOOKKEEPING, "stays: amounts and the key of the customer", _BOOKS, keeps_values=True),
    "audit_auditentry": Beyond(
        K.TRAIL,
        "stays, readable by head office only, until it is pruned (docs/audit.md)",
        "append-only and chained: it proves who did what, the erasure too (GDPR, articles 5(2), 32 and 17(3)(e))",
        keeps_values=True,
    ),
    "audit_auditread": Beyond(
        K.TRAIL, "stays, as the entries do", "who looked at the record (GDPR, article 32)", keeps_values=True
    ),
}

PERIODS: tuple[Period, ...] = (
    Period(K.CLINICAL, "GB", 10, f"{_LAYE}: ten years after last seen, children to 25", "high", to_age=25),
    Period(K.CLINICAL, "*", 10, "as in GB, for want of a source for this place", "low: ask an adviser", to_age=25),
    Period(K.SUPPLY, "GB", 10, f"{_LAYE}: dispensing is part of the record", "high", to_age=25),
    Period(K.SUPPLY, "*", 10, "as in GB, for want of a source for this place", "low: ask an adviser", to_age=25),
    Period(K.BOOKKEEPING, "GB", 6, "tax records, six years (from memory)", "high"),
    Period(K.BOOKKEEPING, "*", 10, "the longest that is common in the EU (from memory)", "low: ask an adviser"),
    Period(K.SCHEME, "*", 7, "contract terms of a public scheme in Northern Ireland; others from memory", "medium"),
    Period(K.EVIDENCE, "*", 6, "limitation of claims from contract in England (from memory)", "medium"),
    Period(K.PRIVACY, "*", 6, "limitation of claims in England (from memory)", "medium"),
    Period(K.MESSAGES, "*", 2, "common practice, no source", "low", of_each_row=True),
    Period(K.APPOINTMENTS, "*", 2, "common practice, no source", "low", of_each_row=True),
    Period(K.TRAIL, "*", 6, "limitation of claims in England (from memory)", "medium"),
)

_YOU = "you, or who came with you"
_HERE = "made here"

#: What a person is told with a copy (GDPR, article 15(1)(a), (b) and (g), from memory). Read it with your adviser.
PURPOSES: dict[RecordKind, Purpose] = {
    K.IDENTITY: Purpose("name, birth date and how to reach you", "to know whose the records are, to reach you", _YOU),
    K.CLINICAL: Purpose(
        "prescriptions and measurements (data about health)",
        "to supply spectacles that are right for you, and to answer for it",
        "who examined you, as named on each prescription; measurements were taken here",
    ),
    K.SUPPLY: Purpose(
        "orders, how they were made, checked and handed over", "to make your spectacles and trace every part", _HERE
    ),
    K.BOOKKEEPING: Purpose("payments, receipts and invoices", "to keep the books that tax law asks for", _HERE),
    K.SCHEME: Purpose("vouchers of public schemes", "to be paid by the scheme what it bears for you", _YOU),
    K.EVIDENCE: Purpose("what you agreed to and refused", "to keep to it, and to show that we did", _YOU),
    K.MESSAGES: Purpose("messages to you and answers", "to tell you what you are waiting for or agreed to hear", _HERE),
    K.APPOINTMENTS: Purpose("appointments", "to keep the time for you", _YOU),
    K.RECALLS: Purpose(
        "when you are reminded of an examination", "to remind you in time", "worked out from prescriptions"
    ),
    K.OUTSIDE: Purpose("numbers by which other systems know you", "not to register you twice", "the system named"),
    K.PRIVACY: Purpose("what you asked about your data", "to show that what you asked was done", _YOU),
    K.TRAIL: Purpose("who looked at and changed your record", "to guard it and to answer for it", _HERE),
}

POLICY = Policy(RULES, BEYOND, PERIODS, PURPOSES)
