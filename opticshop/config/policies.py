"""What a browser may do with each kind of answer: a Content-Security-Policy by place and type, and fixed headers.

After the OWASP REST Security and HTTP Headers cheat sheets: an answer of the API may do nothing. A page names what it
needs, its own scripts and styles by nonce; scripts written into a page are run by nonce only, nowhere 'unsafe-inline'.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

from csp.constants import NONCE, NONE, SELF, UNSAFE_INLINE
from django.http import HttpRequest, HttpResponseBase
from oauth2_provider.models import get_application_model

Policy = dict[str, list[Any]]

#: JSON, CSV, errors, everything that is no page.
NOTHING: Policy = {"default-src": [NONE], "base-uri": [NONE], "form-action": [NONE], "frame-ancestors": [NONE]}
#: A drawing may have styles of its own; opened as a page it is shut off from this service.
DRAWING: Policy = {**NOTHING, "style-src": [UNSAFE_INLINE], "sandbox": [""]}
#: The viewers built into browsers draw a PDF as an object with styles (from memory, not tried in one).
PAPER: Policy = {**NOTHING, "object-src": [SELF], "style-src": [UNSAFE_INLINE]}
PAGE: Policy = {**NOTHING, "style-src": [SELF, NONCE], "img-src": [SELF, "data:"], "form-action": [SELF]}
#: Both documentation pages draw with styles that their scripts make; the reference searches in a worker.
DOCUMENTATION: Policy = {
    **NOTHING,
    "script-src": [SELF, NONCE],
    "style-src": [SELF, UNSAFE_INLINE],
    "img-src": [SELF, "data:"],
    "font-src": [SELF, "data:"],
    "connect-src": [SELF],
    "worker-src": ["blob:"],
}
BACK_OFFICE: Policy = {
    **NOTHING,
    "script-src": [SELF],
    "style-src": [SELF],
    "img-src": [SELF, "data:"],
    "font-src": [SELF],
    "connect-src": [SELF],
    "form-action": [SELF],
}
#: The pages of head office and of the workshop: everything they need is a static file of ours.
OFFICE: Policy = {
    **NOTHING,
    "script-src": [SELF],
    "style-src": [SELF],
    "img-src": [SELF, "data:"],
    "connect-src": [SELF],
    "form-action": [SELF],
}
_BY_TYPE = {"image/svg+xml": DRAWING, "application/pdf": PAPER}
_BY_PLACE = {"/docs/": DOCUMENTATION, "/admin/": BACK_OFFICE, "/office/": OFFICE, "/bench/": OFFICE}
AUTHORIZE = "/oauth/authorize/"
#: Pages that lead on to what they were asked for by ``next``.
SIGNING_IN = ("/sign-in/", "/second-factor/", "/password/")

HEADERS = {
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": ", ".join(
        f"{each}=()"
        for each in (
            "accelerometer",
            "camera",
            "display-capture",
            "geolocation",
            "gyroscope",
            "magnetometer",
            "microphone",
            "midi",
            "payment",
            "usb",
        )
    ),
    "X-Permitted-Cross-Domain-Policies": "none",
}
#: Where answers may tell of people or hold tokens. Clients that keep an ETag themselves go on getting 304.
_PERSONAL = (
    "/api/v1/",
    "/fhir/",
    "/oauth/",
    *SIGNING_IN,
    "/sign-out/",
    "/welcome/",
    "/unsubscribe/",
    "/office/",
    "/bench/",
)
NOT_KEPT = "no-store"


def policy_for(request: HttpRequest, response: HttpResponseBase) -> Policy:
    kind = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if kind != "text/html":
        return _BY_TYPE.get(kind, NOTHING)
    for place, policy in _BY_PLACE.items():
        if request.path.startswith(place):
            return policy
    if request.path.startswith((AUTHORIZE, *SIGNING_IN)):
        return {**PAGE, "form-action": [SELF, *_clients_address(request)]}
    return PAGE


def is_personal(request: HttpRequest) -> bool:
    return request.path.startswith(_PERSONAL)


def _clients_address(request: HttpRequest) -> list[str]:
    """The origin to which signing in, and consenting, leads in the end: browsers hold form-action against redirects
    too. Only one that the client has registered.
    """
    if request.path.startswith(SIGNING_IN):
        after = urlsplit(request.GET.get("next", ""))
        if after.path != AUTHORIZE:
            return []
        query = parse_qs(after.query)
        client, back = query.get("client_id", [""])[0], query.get("redirect_uri", [""])[0]
    else:
        client, back = request.GET.get("client_id", ""), request.GET.get("redirect_uri", "")
    application = get_application_model().objects.filter(client_id=client[:100]).first() if client and back else None
    if application is None or not application.redirect_uri_allowed(back):
        return []
    parts = urlsplit(back)
    return [f"{parts.scheme}://{parts.netloc}"]
