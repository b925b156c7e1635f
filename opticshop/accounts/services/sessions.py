"""Ending what somebody is signed in with: one sign-in, all of them, and everything that opens anything."""

from __future__ import annotations

from django.db import transaction
from django.db.models import Q
from oauth2_provider.models import AccessToken, Grant, RefreshToken, clear_expired

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor

from .. import events
from ..models import OperatorPin, SignIn, User


def sign_in_end(*, actor: Actor, sign_in: SignIn) -> None:
    """End one: the session is gone, its tokens open nothing any more. That the actor may, the caller has checked."""
    with transaction.atomic():
        _end([sign_in], actor)


def sign_ins_end(*, actor: Actor, user: User, but: SignIn | None = None) -> int:
    """End all of a person, or all but the one that is in use; returns how many."""
    with transaction.atomic():
        open_ones = SignIn.objects.filter(user=user)
        ending = list(open_ones if but is None else open_ones.exclude(id=but.id))
        _end(ending, actor)
    return len(ending)


def _end(sign_ins: list[SignIn], actor: Actor) -> None:
    families = [each.token_family for each in sign_ins if each.token_family]
    _refresh_tokens_end(Q(token_family__in=families))
    AccessToken.objects.filter(id__in=[each.access_token_id for each in sign_ins if each.access_token_id]).delete()
    SignIn.objects.filter(id__in=[each.id for each in sign_ins]).delete()
    outbox.record_many(
        actor=actor,
        happenings=[
            outbox.Happening(
                events.SIGN_IN_ENDED,
                f"people/{each.user_id}",
                None,
                {"user": str(each.user_id), "sign_in": str(each.id), "way": each.way},
            )
            for each in sign_ins
        ],
    )


def credentials_end(user: User, *, keep: SignIn | None = None) -> None:
    """Whatever opens anything for this user ends: sessions, tokens of every kind, codes on their way, the PIN.

    For whoever deactivates, resets or distrusts a person, in the transaction of that, which also tells why.
    ``keep`` is the sign-in from which the person does it, if it is to stay.
    """
    with transaction.atomic():
        Grant.objects.filter(user=user).delete()
        family = keep.token_family if keep is not None else None
        mine = Q(user=user)
        _refresh_tokens_end(mine & ~Q(token_family=family) if family else mine)
        tokens = AccessToken.objects.filter(mine | Q(application__user=user))
        if family:
            tokens = tokens.exclude(refresh_token__token_family=family)
        if keep is not None and keep.access_token_id:
            tokens = tokens.exclude(id=keep.access_token_id)
        tokens.delete()
        sign_ins = SignIn.objects.filter(user=user)
        (sign_ins if keep is None else sign_ins.exclude(id=keep.id)).delete()
        OperatorPin.objects.filter(user=user).delete()


def _refresh_tokens_end(which: Q) -> None:
    """As the library revokes a family: the row stays, so that use of it is noticed, and its access token goes."""
    live = RefreshToken.objects.filter(which, revoked=None)
    AccessToken.objects.filter(id__in=list(live.values_list("access_token_id", flat=True))).delete()
    now = clock.now()
    live.update(revoked=now, updated=now)


def forget_ended() -> int:
    """Take away what has ended by itself: sessions and codes over their time, tokens nobody can use any more."""
    now = clock.now()
    clear_expired()
    alive = RefreshToken.objects.filter(revoked=None).values("token_family")
    gone = SignIn.objects.filter(
        Q(expire_date__lte=now) | (Q(way=SignIn.Way.APP) & ~Q(token_family__in=alive.exclude(token_family=None)))
    )
    with transaction.atomic():
        _refresh_tokens_end(
            Q(token_family__in=list(gone.filter(way=SignIn.Way.APP).values_list("token_family", flat=True)))
        )
        AccessToken.objects.filter(
            id__in=list(gone.filter(way=SignIn.Way.TILL).values_list("access_token_id", flat=True))
        ).delete()
        deleted, _ = gone.delete()
    return deleted
