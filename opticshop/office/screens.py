"""A shared screen of the workshop: set up once for a branch, then people take it over by name and PIN.

The screen is a till in the sense of docs/credentials.md: a service account held at one branch. Its browser keeps two
cookies that only these pages are sent. One says which screen it is: signed, without a secret of the account, worth as
much as the account stands and until its secret is changed. The other is the operator's token as ``operator_change``
gave it; by its digest it is found in the database, and idle time, absolute time, branch and scopes are those of any
operator at a till. Between operators the screen shows the board, as itself.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import wraps

from django.conf import settings
from django.contrib.auth import logout
from django.core import signing
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods
from oauth2_provider.models import Application

from opticshop.accounts.access import actor_at_till, actor_for
from opticshop.accounts.models import Membership, ServiceAccount, SignIn
from opticshop.accounts.oauth import Validator, service_account_of, standing_token, stands
from opticshop.accounts.services import operator_change, sign_in_end
from opticshop.accounts.session_store import BY_ITSELF
from opticshop.core import acting
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError, Invalid
from opticshop.workshop.permissions import WorkshopPermission

#: Where the cookies are sent.
PLACE = "/bench/"
_SALT = "opticshop.office.screen"
#: As long as a service account may stand, in days; the account itself decides at every request.
_LONGEST = dt.timedelta(days=366)


class NotThisScreen(Invalid):
    """There is no service account with this secret that is held at this very branch and nowhere else."""

    code = "office.not_this_screen"
    title = "The name or the secret of the screen is wrong, or it is not one of this branch"


@dataclass(frozen=True, slots=True)
class Screen:
    """The service account that a browser stands for, and the code of its branch."""

    account: ServiceAccount
    branch: str

    @property
    def scope(self) -> str:
        return " ".join(self.account.scopes or ())

    @property
    def via(self) -> str:
        return f"client {self.account.application.client_id}"

    def itself(self) -> Actor:
        return actor_for(self.account.user, self.account.scopes or ())


@dataclass(frozen=True, slots=True)
class Working:
    """Who works at a screen: the operator, or nobody (None) and then the screen itself."""

    screen: Screen
    actor: Actor
    sign_in: SignIn | None = field(default=None)


def screen_of(request: HttpRequest) -> Screen | None:
    """The screen that the browser was set up as, while its account stands. Two queries, none without the cookie."""
    given = request.COOKIES.get(_name("screen"))
    if not given:
        return None
    try:
        told = signing.loads(given, salt=_SALT, max_age=_LONGEST)
        rows = ServiceAccount.objects.select_related("application", "user")
        account = rows.filter(id=told["till"]).first()
    except (signing.BadSignature, KeyError, TypeError, ValueError):
        return None
    if account is None or account.rotated_at.isoformat() != told.get("since") or not stands(account.application):
        return None
    branch = _branch_of(account)
    return None if branch is None else Screen(account, branch)


def working_at(screen: Screen, request: HttpRequest) -> Working:
    """The operator whose token the browser keeps. A look that the screen takes by itself is its own: it keeps no
    operator there."""
    raw = request.COOKIES.get(_name("operator"))
    if raw and BY_ITSELF not in request.headers:
        token = standing_token(raw)
        sign_in = getattr(token, "sign_in", None)
        if sign_in is not None and token.application_id == screen.account.application_id and not token.is_expired():
            return Working(screen, actor_at_till(token.user, token.scope.split(), sign_in), sign_in)
    return Working(screen, screen.itself())


def to_the_pin(request: HttpRequest, screen: Screen) -> HttpResponse:
    """Where somebody says who they are, and from there back to the page that was asked for."""
    place = reverse("bench-operator", kwargs={"code": screen.branch})
    return HttpResponseRedirect(f"{place}?{urlencode({'next': request.get_full_path()})}")


def _page(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    guarded: Callable[..., HttpResponse] = require_http_methods(["GET", "HEAD", "POST"])(
        never_cache(sensitive_post_parameters("pin", "client_secret")(view))
    )
    return wraps(view)(guarded)


@_page
def operator(request: HttpRequest, code: str) -> HttpResponse:
    """Take the screen over by name and PIN; whoever had it is out."""
    screen = screen_of(request)
    if screen is None or screen.branch != code:
        return redirect("bench", code=code)
    target = _target(request, code)
    name = _posted(request, "username")[:150]
    told = {"screen": screen, "code": code, "next": target, "name": name}
    if request.method != "POST":
        return render(request, "bench/operator.html", told)
    itself = screen.itself()
    acting.named(itself, via=screen.via)
    try:
        taken = operator_change(
            actor=itself,
            till=screen.account,
            scope=screen.scope,
            username=name,
            pin=_posted(request, "pin")[:20],
        )
    except DomainError as refusal:
        answer = render(request, "bench/operator.html", {**told, "refusal": refusal}, status=refusal.status)
        for name, value in refusal.headers.items():
            answer[name] = value
        return answer
    back: HttpResponse = HttpResponseRedirect(target)
    _keep(back, "operator", taken.access_token, settings.OPTICSHOP_OPERATOR_SECONDS)
    return back


@_page
def leave(request: HttpRequest, code: str) -> HttpResponse:
    """The operator goes; the screen stays."""
    answer = redirect("bench", code=code)
    screen = screen_of(request)
    if request.method == "POST" and screen is not None:
        found = working_at(screen, request)
        if found.sign_in is not None:
            acting.named(found.actor, via=screen.via)
            sign_in_end(actor=found.actor, sign_in=found.sign_in)
        answer.delete_cookie(_name("operator"), path=PLACE, samesite="Strict")
    return answer


def set_up(request: HttpRequest, code: str) -> HttpResponse:
    """Make this browser a screen of the branch and sign the person out of it.

    Raises NotThisScreen. The caller has seen to it that somebody who may work there is signed in.
    """
    application = Application.objects.select_related("service_account__user").filter(
        client_id=_posted(request, "client_id").strip()[:100]
    )
    found = application.first()
    account = service_account_of(found)
    # Which of the two is wrong is not told.
    secret = _posted(request, "client_secret").strip()[:200]
    fits = found is not None and Validator()._check_secret(secret, found.client_secret)
    if account is None or not fits or not stands(found) or _branch_of(account) != code:
        raise NotThisScreen(field="client_secret")
    if WorkshopPermission.VIEW not in actor_for(account.user, account.scopes or ()).grants:
        raise NotThisScreen("Its scopes do not show the jobs: workshop:read.", field="client_secret")
    logout(request)
    answer = redirect("bench", code=code)
    told = {"till": str(account.id), "since": account.rotated_at.isoformat()}
    _keep(answer, "screen", signing.dumps(told, salt=_SALT), int(_LONGEST.total_seconds()))
    return answer


def _branch_of(account: ServiceAccount) -> str | None:
    """The code of the one branch at which the account is held."""
    held = list(Membership.objects.filter(user=account.user_id).values_list("branch__code", flat=True))
    return held[0] if len(held) == 1 else None


def _keep(answer: HttpResponse, name: str, value: str, seconds: int) -> None:
    answer.set_cookie(
        _name(name),
        value,
        max_age=seconds,
        path=PLACE,
        secure=bool(settings.SESSION_COOKIE_SECURE),
        httponly=True,
        samesite="Strict",
    )


def _name(what: str) -> str:
    return f"__Secure-{what}" if settings.SESSION_COOKIE_SECURE else what


def _posted(request: HttpRequest, name: str) -> str:
    return str(request.POST.get(name, "")).replace("\x00", "")


def _target(request: HttpRequest, code: str) -> str:
    """Where to go afterwards: a page of the bench, or its board."""
    wanted = request.POST.get("next") or request.GET.get("next") or ""
    is_ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    board = reverse("bench", kwargs={"code": code})
    return wanted if is_ours and wanted.startswith(board) else board
