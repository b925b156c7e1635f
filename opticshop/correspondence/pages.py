"""The page behind the unsubscribe address of a message (RFC 8058): to look changes nothing, to post takes effect."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from opticshop.core.actor import system

from . import services
from .unsubscribing import PURPOSES, Wish, token_for, wish_of

BY_LINK = system("unsubscribe address")
#: What a purpose and a way are called on the page; never what a message was about.
PURPOSE_WORDS = {"recall": "reminders to come again", "marketing": "news and offers"}
WAY_WORDS = {"email": "e-mail", "text": "text message", "letter": "letter"}


@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
def unsubscribe(request: HttpRequest, token: str) -> HttpResponse:
    """GET shows what the address is for; POST with ``List-Unsubscribe=One-Click`` does it: no cookie, no redirect."""
    wish = wish_of(token)
    if wish is None:
        raise Http404
    if request.method != "POST":
        return _page(request, wish)
    if request.POST.get("List-Unsubscribe") != "One-Click":
        return _page(request, wish, status=400)
    services.unsubscribe(actor=BY_LINK, wish=wish)
    return _page(request, wish, done=True)


def _page(request: HttpRequest, wish: Wish, *, done: bool = False, status: int = 200) -> HttpResponse:
    choices = [
        {"token": token_for(Wish(wish.customer, purpose, wish.way)), "words": PURPOSE_WORDS[purpose]}
        for purpose in PURPOSES
        if not (done and purpose == wish.purpose)
    ]
    words = {"done": done, "purpose": PURPOSE_WORDS[wish.purpose], "way": WAY_WORDS[wish.way], "choices": choices}
    response = render(request, "unsubscribe.html", words, status=status)
    response["Cache-Control"] = "no-store"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex"
    return response
