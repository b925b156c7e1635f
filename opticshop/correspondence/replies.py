"""What people mean when they write back: words as data, by language. Common practice, from memory; no source.

A reply means one of these only where it says so in plain words; anything else is for a person to read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from .models import Reply

Meaning = Reply.Meaning

#: Each ends it when the reply begins with it.
STOP_FIRST: Mapping[str, tuple[str, ...]] = {
    "en": ("stop", "stopall", "unsubscribe", "optout", "opt out"),
    "cy": ("stopiwch",),
    "de": ("stopp", "abmelden"),
    "es": ("baja",),
    "fr": ("stop", "désabonner"),
    "it": ("disiscrivi",),
    "pl": ("rezygnuję",),
}
#: Each ends it only when it stands alone: in a sentence it may be about an appointment.
STOP_ALONE: Mapping[str, tuple[str, ...]] = {
    "en": ("end", "quit", "cancel", "remove me", "no more messages", "no more texts"),
    "de": ("ende", "keine nachrichten mehr"),
    "es": ("cancelar", "alto"),
    "fr": ("arrêt", "arrêter"),
    "it": ("annulla",),
    "pl": ("koniec",),
}
#: Each may stand anywhere in the reply.
WRONG_PERSON: Mapping[str, tuple[str, ...]] = {
    "en": ("wrong number", "wrong person", "wrong address", "not me", "don't know this person", "new number"),
    "de": ("falsche nummer", "falsche person", "falsche adresse"),
    "es": ("número equivocado", "persona equivocada"),
    "fr": ("mauvais numéro", "mauvaise personne", "erreur de numéro"),
    "it": ("numero sbagliato", "persona sbagliata"),
}
CAME_BACK: Mapping[str, tuple[str, ...]] = {
    "en": ("already been", "been already", "came in already", "already had my", "already seen"),
    "de": ("war schon da",),
    "fr": ("déjà venu",),
    "it": ("già stato",),
}
BOOKED: Mapping[str, tuple[str, ...]] = {
    "en": ("already booked", "have booked", "i've booked", "booked already", "have an appointment"),
    "de": ("schon gebucht", "bereits gebucht", "termin gemacht"),
    "es": ("ya he reservado", "ya tengo cita"),
    "fr": ("déjà réservé", "déjà pris rendez-vous"),
    "it": ("già prenotato",),
}
POLITE = frozenset({"please", "thanks", "thank", "you", "bitte", "danke", "merci", "gracias", "grazie"})
READ_AT_MOST = 300

_QUOTED = re.compile(r"^\s*(>|-{2,}\s*$|on .{5,120} wrote:|am .{5,120} schrieb)", re.IGNORECASE)
_WORD = re.compile(r"[^\W_]+(?:['’][^\W_]+)*")


def meaning_of(text: str) -> str:
    """What a reply means: stop, wrong_person, came_back, booked, or unclear. Stop goes before everything else."""
    words = [word.replace("’", "'") for word in _WORD.findall(_own_words(text).casefold())]
    said = f" {' '.join(words)} "
    alone = f" {' '.join(word for word in words if word not in POLITE)} "
    if any(said.startswith(f" {word} ") for word in _all(STOP_FIRST)) or alone.strip() in _all(STOP_ALONE):
        return Meaning.STOP
    others = ((Meaning.WRONG_PERSON, WRONG_PERSON), (Meaning.CAME_BACK, CAME_BACK), (Meaning.BOOKED, BOOKED))
    for meaning, table in others:
        if any(f" {words_of} " in said for words_of in _all(table)):
            return meaning
    return Meaning.UNCLEAR


def _all(table: Mapping[str, tuple[str, ...]]) -> set[str]:
    return {word for words in table.values() for word in words}


def _own_words(text: str) -> str:
    """The reply without what it quotes below."""
    lines = []
    for line in text[:5000].splitlines():
        if _QUOTED.match(line):
            break
        lines.append(line)
    return " ".join(lines)[:READ_AT_MOST]
