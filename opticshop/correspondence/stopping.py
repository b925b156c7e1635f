"""How whoever gets a message that promotes something can stop it, said in the message itself.

Regulations 22 and 23 of PECR (S.I. 2003/2426) ask for a simple means of refusing, and a valid address for it, in every
electronic message of direct marketing; articles 7(3) and 21 of the GDPR for consent that is withdrawn as easily as it
is given and for the right to object, also by post (from memory). E-mail carries its one-click address besides.
"""

from __future__ import annotations

from opticshop.branches.models import Branch

from .models import Form

MARKETING = "marketing"
#: Where the carrier brings replies back: "stop" is understood in every language. Common practice, no source.
BY_REPLY = {
    "en": "Reply STOP to end.",
    "de": "Ende: STOP antworten.",
    "es": "Para terminar responda STOP.",
    "fr": "Pour finir : STOP.",
    "it": "Per finire: STOP.",
}
TELL_US = {
    "en": "No more of these? Tell us:",
    "de": "Nichts mehr davon? Sagen Sie es uns:",
    "es": "¿No quiere más? Avísenos:",
    "fr": "Vous n'en voulez plus ? Dites-le-nous :",
    "it": "Non ne vuole più? Ce lo dica:",
}


def with_stop(
    body: str, *, purpose: str, form: str, language: str, branch: Branch, hears_replies: bool, url: str
) -> str:
    """The text with how to stop, in its language or else in English; unchanged for e-mail and what does not promote."""
    if purpose != MARKETING or form == Form.EMAIL:
        return body
    if form == Form.TEXT:
        return f"{body} {_in(BY_REPLY, language) if hears_replies else f'{_in(TELL_US, language)} {url}'}"
    where = ", ".join(part for part in (" ".join(branch.address.split()), branch.phone) if part)
    return f"{body}\n\n{_in(TELL_US, language)} {f'{branch.name}, {where}' if where else url}"


def _in(words: dict[str, str], language: str) -> str:
    return words.get(language.lower().split("-")[0], words["en"])
