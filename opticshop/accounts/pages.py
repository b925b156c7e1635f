"""The pages by which people sign in and look after their password and second factor. Nothing here needs a script.

Signing in has two steps. After a right password the session only remembers who is half signed in, and for how long; it
speaks for that person when the code was right too. Whoever needs a second factor and has none is led to make one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.conf import settings
from django.contrib.auth import login
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.crypto import constant_time_compare
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from opticshop.core import acting, clock
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError

from . import selectors, services
from .access import actor_for
from .backends import PasswordBackend
from .models import SecondFactor, User
from .passwords import RULES
from .verified import MARK

BACKEND = f"{PasswordBackend.__module__}.{PasswordBackend.__qualname__}"
#: In the session: who has given the right password, and when.
HALF = "half_signed_in"
#: In the session: which key, by when it was made, may be shown to it, once.
SHOWN_ONCE = "key_shown_once"
#: How long the second step may take, in seconds: finding the phone, or enrolling it.
HALF_SECONDS = 15 * 60

Page = Callable[..., HttpResponse]


def page(view: Page) -> Page:
    """What all of these are: read with GET, done with POST, kept in no cache; a refusal is told on the page."""
    guarded: Page = require_http_methods(["GET", "HEAD", "POST"])(
        never_cache(sensitive_post_parameters("password", "old_password", "new_password", "code")(view))
    )
    return wraps(view)(guarded)


@page
def sign_in(request: HttpRequest) -> HttpResponse:
    """Step one: name and password."""
    form = AuthenticationForm(request, data=request.POST or None)
    target = _target(request)
    try:
        if request.method != "POST" or not form.is_valid():
            status = 200 if request.method != "POST" else 400
            return _shown(request, "sign_in.html", {"form": form, "next": target}, status=status)
    except services.TooManyAttempts as refusal:
        words = {"form": AuthenticationForm(request), "next": target}
        return _shown(request, "sign_in.html", words, refusal=refusal)
    user = form.get_user()
    assert isinstance(user, User)
    if selectors.has_second_factor(user):
        return _half(request, user, target, "sign-in-code")
    if selectors.needs_second_factor(user):
        begun = services.enrolment_begin(user=user)
        answer = _half(request, user, target, "second-factor-new")
        request.session[SHOWN_ONCE] = begun.created_at.isoformat()
        return answer
    _whole(request, user, None)
    return HttpResponseRedirect(target)


@page
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """Step two: a code of the phone, or a recovery code."""
    user = half_signed_in(request)
    if user is None:
        return redirect("sign-in")
    if request.method != "POST":
        return _shown(request, "sign_in_code.html", {})
    actor = _acting(user)
    try:
        factor = services.second_factor_check(actor=actor, user=user, code=_posted(request, "code"))
    except DomainError as refusal:
        if isinstance(refusal, services.CodeWrong):
            PasswordBackend().note_second_step(user, right=False)
        return _shown(request, "sign_in_code.html", {}, refusal=refusal)
    PasswordBackend().note_second_step(user, right=True)
    _whole(request, user, factor)
    return HttpResponseRedirect(_target(request))


@page
def second_factor_new(request: HttpRequest) -> HttpResponse:
    """Enrolment: the key as picture and text, then its first code, then the recovery codes, each shown once.

    The key is shown to the session in which the password, or a code, was given for it a moment ago. Whoever wants to
    see one again begins anew and gives that again: a session that somebody took over shows no key.
    """
    half = half_signed_in(request)
    if half is not None and selectors.has_second_factor(half):
        return redirect("sign-in-code")  # who has one shows it, before making another
    user = half or _signed_in(request)
    factor = services.enrolment_of(user) if user is not None else None
    if user is None or factor is None:
        return redirect("sign-in" if user is None else "second-factor")
    shown: dict[str, Any] = {"again": "sign-in" if half else "second-factor"}
    if request.method == "GET" and request.session.pop(SHOWN_ONCE, "") == factor.created_at.isoformat():
        shown |= {"picture": services.key_picture(user, factor), "key": services.key_text(factor)}
    if request.method != "POST":
        return _shown(request, "second_factor_new.html", shown)
    try:
        actor = _acting(user)
        factor, codes = services.enrolment_confirm(actor=actor, user=user, code=_posted(request, "code"))
    except DomainError as refusal:
        return _shown(request, "second_factor_new.html", shown, refusal=refusal)
    if half:
        PasswordBackend().note_second_step(user, right=True)
    _whole(request, user, factor)
    return _shown(request, "recovery_codes.html", {"codes": codes, "next": _target(request)})


@page
@login_required
def second_factor(request: HttpRequest) -> HttpResponse:
    """One's own: begin, move to another phone, make new recovery codes. Each asks for what one signs in with."""
    user = _signed_in(request)
    assert user is not None
    shown = {"has": selectors.has_second_factor(user), "left": user.recovery_codes.filter(used_at=None).count()}
    if request.method != "POST":
        return _shown(request, "second_factor.html", shown)
    actor = _acting(user)
    try:
        if shown["has"]:
            services.second_factor_check(actor=actor, user=user, code=_posted(request, "code"))
        else:
            services.password_confirm(user=user, password=_posted(request, "password"))
    except DomainError as refusal:
        return _shown(request, "second_factor.html", shown, refusal=refusal)
    if shown["has"] and request.POST.get("wanted") == "codes":
        codes = services.recovery_codes_make(actor=actor, user=user)
        return _shown(request, "recovery_codes.html", {"codes": codes, "next": settings.LOGIN_REDIRECT_URL})
    request.session[SHOWN_ONCE] = services.enrolment_begin(user=user).created_at.isoformat()
    return redirect("second-factor-new")


@page
@login_required
def password(request: HttpRequest) -> HttpResponse:
    """Change one's own password; other sign-ins end."""
    user = _signed_in(request)
    assert user is not None
    shown = {"rules": RULES}
    if request.method != "POST":
        return _shown(request, "password.html", shown)
    factor = selectors.second_factor_of(user)
    try:
        services.password_change(
            actor=_acting(user),
            user=user,
            old=_posted(request, "old_password"),
            new=_posted(request, "new_password"),
        )
    except DomainError as refusal:
        return _shown(request, "password.html", shown, refusal=refusal)
    _whole(request, user, factor)
    return _shown(request, "password.html", {**shown, "done": True})


@page
def welcome(request: HttpRequest, token: str) -> HttpResponse:
    """The link of an invitation: choose a password. To look changes nothing, so a scanner of mail uses nothing up."""
    try:
        user = services.invitation_open(token).user
        if request.method == "POST":
            new = _posted(request, "new_password")
            services.invitation_accept(actor=_acting(user), token=token, password=new)
            return redirect("sign-in")
        return _shown(request, "welcome.html", {"person": user, "rules": RULES})
    except services.InvitationOver as refusal:
        return _shown(request, "welcome.html", {"over": True}, refusal=refusal)
    except DomainError as refusal:
        return _shown(request, "welcome.html", {"person": user, "rules": RULES}, refusal=refusal)


def half_signed_in(request: HttpRequest) -> User | None:
    """Who gave the right password a moment ago, if that still holds."""
    half = request.session.get(HALF)
    if half is None:
        return None
    user = User.objects.filter(pk=half["user"], is_active=True).first()
    since = clock.now() - dt.datetime.fromisoformat(half["at"])
    if user is None or since > dt.timedelta(seconds=HALF_SECONDS):
        return None
    return user if constant_time_compare(half["hash"], user.get_session_auth_hash()) else None


def _half(request: HttpRequest, user: User, target: str, step: str) -> HttpResponse:
    request.session.flush()
    request.session[HALF] = {
        "user": str(user.pk),
        "at": clock.now().isoformat(),
        "hash": user.get_session_auth_hash(),
    }
    return redirect(f"{reverse(step)}?{urlencode({'next': target})}")


def _whole(request: HttpRequest, user: User, factor: SecondFactor | None) -> None:
    """Signed in, with a session key that nobody knew before (OWASP, Session Management: renewed at each step)."""
    request.session.flush()
    login(request, user, backend=BACKEND)
    if factor is not None:
        request.session[MARK] = str(factor.pk)
    services.attempts_clear(user.username, ["pin"])


def _signed_in(request: HttpRequest) -> User | None:
    return User.objects.get(pk=request.user.pk) if request.user.is_authenticated else None


def _acting(user: User) -> Actor:
    """The person, who by now has shown something to be known by; the trail names them from here on."""
    actor = actor_for(user)
    acting.named(actor, via="sign-in")
    return actor


def _posted(request: HttpRequest, name: str) -> str:
    return str(request.POST.get(name, "")).replace("\x00", "")


def _target(request: HttpRequest) -> str:
    """Where to go afterwards: an address of this service, or the front page."""
    wanted = request.POST.get("next") or request.GET.get("next") or ""
    is_ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if is_ours else settings.LOGIN_REDIRECT_URL


def _shown(
    request: HttpRequest, template: str, words: dict[str, Any], *, refusal: DomainError | None = None, status: int = 200
) -> HttpResponse:
    if refusal is None:
        return render(request, template, words, status=status)
    told = {**words, "refusal": refusal.detail}
    response = render(request, template, told, status=refusal.status)
    for name, value in refusal.headers.items():
        response[name] = value
    return response
