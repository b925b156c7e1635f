"""How often a secret may be tried: password, code, PIN, or whatever else somebody could guess.

One try is ``attempt_allowed``, then the check, then ``attempt_failed`` or ``attempt_succeeded``; ``attempted`` does the
three. A try is counted when it is allowed, so that tries made at the same moment count as well. Call it outside of any
transaction that a refusal rolls back, or the count is rolled back with it.

Four counts stand beside one another, as rows, so that all processes share them:

- one account from one address: a few tries are free, then each wait is twice the last one;
- one account from all addresses where it never succeeded, together: guessing from many places;
- one account from all addresses where it did succeed, together;
- one address over all accounts: one password tried on everybody.

What strangers do never closes an account at addresses where its owner has signed in before (NIST SP 800-63B, rate
limiting, names that measure). The second and the third count stop at ``Limits.stop``, so that an account never sees
more than 100 failures in a row (the same section); the stop ends with a success from a known address, or is lifted.

django-axes and django-otp's own throttling were weighed: the one knows the door of the password only and one limit, the
other locks a device by what strangers do, whatever their address.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from django.db import transaction
from django.db.models import Q
from django.utils.crypto import salted_hmac

from opticshop.core import clock
from opticshop.core.errors import DomainError
from opticshop.core.locks import lock_rows
from opticshop.core.throttling import network_of

from ..models import AttemptCount, User

T = TypeVar("T")
Scope = AttemptCount.Scope


class TooManyAttempts(DomainError):
    """A secret was tried in vain too often. Wait for as long as Retry-After says; head office can lift a stop."""

    code = "accounts.too_many_attempts"
    title = "Tried in vain too often"
    status = 429


@dataclass(frozen=True, slots=True)
class Growing:
    """No wait for the first failures, then ``first`` seconds, and twice as many each time, up to ``most``."""

    free: int
    first: int
    most: int

    def after(self, failures: int) -> dt.timedelta:
        over = min(failures - self.free, 30)
        return dt.timedelta(seconds=min(self.most, self.first * 2**over) if over >= 0 else 0)


@dataclass(frozen=True, slots=True)
class Limits:
    pair: Growing = Growing(free=5, first=15, most=3600)
    strangers: Growing = Growing(free=15, first=5, most=600)
    address: Growing = Growing(free=30, first=5, most=300)
    #: Failures in a row after which strangers, and after which known addresses, get no further try.
    stop: int = 50


#: NIST SP 800-63B, rate limiting: at most 100 failures in a row for an account.
MOST_IN_A_ROW = 100
LIMITS = {"password": Limits(), "code": Limits(), "pin": Limits(pair=Growing(free=3, first=15, most=3600), stop=5)}
#: The wait that is told where there is a stop, in seconds: by then somebody may have lifted it.
UNTIL_LIFTED = 24 * 3600
#: For how long an address stays known after a success (common practice, no source).
KNOWN_FOR = dt.timedelta(days=180)
#: After such a quiet time the count of an address begins anew: many people may sit behind it.
ADDRESS_FORGETS = dt.timedelta(hours=1)
#: Rows that say nothing of a person are kept for so long: addresses are personal data.
FORGOTTEN_AFTER = dt.timedelta(days=30)


def attempt_allowed(kind: str, account_key: str, address: str | None) -> int:
    """Take one try: 0, or the seconds to wait, and then nothing is counted."""
    now, limits = clock.now(), LIMITS[kind]
    with transaction.atomic():
        rows = _Rows(kind, account_key, address, now)
        wait = rows.wait(limits)
        if wait:
            return wait
        rows.count()
    return 0


def attempt_failed(kind: str, account_key: str, address: str | None) -> int:
    """The try was wrong; it stays counted. Returns the seconds until the next one is allowed."""
    with transaction.atomic():
        return _Rows(kind, account_key, address, clock.now()).wait(LIMITS[kind])


def attempt_succeeded(kind: str, account_key: str, address: str | None) -> None:
    """The try was right: the account's counts begin anew, and the address is known from now on."""
    with transaction.atomic():
        _Rows(kind, account_key, address, clock.now()).clear()


def attempted(kind: str, account_key: str, address: str | None, check: Callable[[], T]) -> T:
    """What the check returns, something falsy for a wrong secret. Raises TooManyAttempts instead of asking it."""
    wait = attempt_allowed(kind, account_key, address)
    if wait:
        raise TooManyAttempts(
            "It was tried in vain until the account was stopped: head office can lift that."
            if wait >= UNTIL_LIFTED
            else f"Wait {wait} seconds before the next try.",
            headers={"Retry-After": str(wait)},
        )
    found = check()
    if found:
        attempt_succeeded(kind, account_key, address)
    else:
        attempt_failed(kind, account_key, address)
    return found


def attempts_clear(account_key: str, kinds: Iterable[str] = tuple(LIMITS)) -> int:
    """Begin the account's counts anew, wherever it was tried from; returns how many had something to forget."""
    rows = AttemptCount.objects.filter(account=account_digest(account_key), kind__in=list(kinds), failures__gt=0)
    return rows.update(failures=0)


def attempts_forget() -> int:
    """Take away what no longer counts: quiet addresses, names that nobody has. What the account of a person has seen
    stays, however long ago; so does where they have signed in, for as long as that says something."""
    quiet = clock.now() - FORGOTTEN_AFTER
    ours = [account_digest(name) for name in User.objects.values_list("username", flat=True)]
    old = AttemptCount.objects.filter(tried_at__lt=quiet)
    pairs = Q(scope=Scope.PAIR, failures=0) & (Q(succeeded_at=None) | Q(succeeded_at__lt=clock.now() - KNOWN_FOR))
    gone, _ = old.filter(Q(scope=Scope.ADDRESS) | pairs | ~Q(account__in=ours)).delete()
    return gone


def account_digest(account_key: str) -> str:
    """Under SECRET_KEY: when that is changed the counts begin anew."""
    plain = unicodedata.normalize("NFKC", account_key).casefold().strip()
    return salted_hmac("opticshop attempts", plain, algorithm="sha256").hexdigest()


class _Rows:
    """The four rows of one try, locked; made where they are missing."""

    def __init__(self, kind: str, account_key: str, address: str | None, now: dt.datetime) -> None:
        self.now = now
        account, place = account_digest(account_key), network_of(address)
        keys = {
            Scope.PAIR: (account, place),
            Scope.KNOWN: (account, ""),
            Scope.STRANGERS: (account, ""),
            Scope.ADDRESS: ("", place),
        }
        wanted = AttemptCount.objects.filter(kind=kind, account__in=[account, ""], address__in=[place, ""])
        found = lock_rows(wanted)
        if len(found) < len(keys):
            AttemptCount.objects.bulk_create(
                [
                    AttemptCount(kind=kind, scope=scope, account=who, address=where, tried_at=now)
                    for scope, (who, where) in keys.items()
                ],
                ignore_conflicts=True,
            )
            found = lock_rows(wanted)
        self.of = {Scope(row.scope): row for row in found}
        at = self.of[Scope.ADDRESS]
        if now - at.tried_at > ADDRESS_FORGETS:
            at.failures = 0

    @property
    def is_known(self) -> bool:
        since = self.of[Scope.PAIR].succeeded_at
        return since is not None and self.now - since <= KNOWN_FOR

    def wait(self, limits: Limits) -> int:
        together = self.of[Scope.KNOWN if self.is_known else Scope.STRANGERS]
        if together.failures >= limits.stop:
            return UNTIL_LIFTED
        growing = {Scope.PAIR: limits.pair}
        if not self.is_known:
            growing |= {Scope.STRANGERS: limits.strangers, Scope.ADDRESS: limits.address}
        ends = max(self.of[scope].tried_at + each.after(self.of[scope].failures) for scope, each in growing.items())
        return max(0, -int((self.now - ends).total_seconds() // 1))

    def count(self) -> None:
        for scope in (Scope.PAIR, Scope.KNOWN if self.is_known else Scope.STRANGERS, Scope.ADDRESS):
            self.of[scope].failures += 1
            self.of[scope].tried_at = self.now
        self._write()

    def clear(self) -> None:
        for row in self.of.values():
            row.failures = max(0, row.failures - 1) if row.scope == Scope.ADDRESS else 0
        self.of[Scope.PAIR].succeeded_at = self.now
        self._write()

    def _write(self) -> None:
        AttemptCount.objects.bulk_update(self.of.values(), ["failures", "tried_at", "succeeded_at"])
