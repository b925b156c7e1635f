"""The door of every page here: signed in with all that the roles ask for, named in the trail, refusals told in words.

What a page shows is decided by the actor, as in the API: the same permissions, the same branches, the same services.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import User
from opticshop.audit.services import reads_write
from opticshop.branches.models import Branch
from opticshop.core import acting
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import DomainError, NotFound

from . import screens

Room = Callable[..., HttpResponse]


def room(*methods: str, at_screen: bool = False) -> Callable[[Room], Room]:
    """``view(request, actor, ...)`` behind the door. Rows handed to ``acting.saw`` are written down as read.

    At a shared screen of the workshop the actor is its operator; ``at_screen`` pages it shows without one, as itself.
    """

    def made(view: Room) -> Room:
        @wraps(view)
        def entered(request: HttpRequest, **named: Any) -> HttpResponse:
            screen = screens.screen_of(request)
            if screen is not None:
                working = screens.working_at(screen, request)
                if working.sign_in is None and not at_screen:
                    return screens.to_the_pin(request, screen)
                request.working = working  # type: ignore[attr-defined]
                actor, via = working.actor, screen.via
            elif request.user.is_authenticated:
                actor, via = actor_for(User.objects.get(pk=str(request.user.pk))), "page"
            else:
                return redirect_to_login(request.get_full_path())
            acting.named(actor, via=via)
            try:
                answer = view(request, actor, **named)
            except DomainError as refusal:
                return refused(request, refusal)
            trace = acting.opened()
            if trace is not None and trace.seen and request.method == "GET" and answer.status_code == 200:
                reads_write(trace, status=answer.status_code)
            return answer

        guarded: Room = require_http_methods(["GET", "HEAD", *methods])(never_cache(entered))
        return guarded

    return made


def refused(request: HttpRequest, refusal: DomainError) -> HttpResponse:
    """A page of its own, with the status that the API would answer."""
    answer = render(request, "office/refused.html", {"refusal": refusal}, status=refusal.status)
    for name, value in refusal.headers.items():
        answer[name] = value
    return answer


def branches_with(actor: Actor, permissions: Sequence[str]) -> list[Branch]:
    """The branches in use where the actor holds one of the permissions, by code. One query."""
    rows = Branch.objects.filter(is_active=True)
    places = [actor.where(permission) for permission in permissions]
    if ALL not in places:
        rows = rows.filter(id__in={key for where in places if where is not ALL for key in where})
    return list(rows.order_by("code"))


def branch_with(actor: Actor, code: str, permission: str) -> Branch:
    """The branch of that code. Raises NotFound where it is not there or the permission is not held there."""
    found = Branch.objects.filter(code=code).first()
    if found is None or not actor.may(permission, found.id):
        raise NotFound(f"There is no branch {code} here.", field="branch")
    return found
