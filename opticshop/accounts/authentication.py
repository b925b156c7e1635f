"""Bearer tokens of django-oauth-toolkit; a client-credentials token acts for its application's service account."""

from __future__ import annotations

import re
from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from oauth2_provider.contrib.rest_framework import OAuth2Authentication

from .oauth import standing_token

#: A query that the library's parser of parameters takes without a word (RFC 3986, 3.4; no stray percent sign).
_PLAIN_QUERY = re.compile(r"(?:[A-Za-z0-9_.\-=&;:+~,*@!()/?'$]|%[0-9A-Fa-f]{2})*")


class BearerTokenAuthentication(OAuth2Authentication):
    """A token that stands and is asked nothing more is recognised here, by one query. Everything else, such as what to
    tell about a token that does not stand, is left to the library, which takes some five times as long."""

    def authenticate(self, request: Any) -> Any:
        found = self._at_once(request) or super().authenticate(request)
        if found is None:
            return None
        user, token = found
        if user is None:
            user = token.application.user if token.application else None
        if user is None or not user.is_active:
            return None
        return user, token

    def _at_once(self, request: Any) -> Any:
        scheme, _, raw = request.META.get("HTTP_AUTHORIZATION", "").partition(" ")
        query = request.META.get("QUERY_STRING", "")
        if scheme.lower() != "bearer" or not raw or " " in raw.strip() or not _PLAIN_QUERY.fullmatch(query):
            return None
        if "access_token" in query:
            return None
        token = standing_token(raw.strip())
        if token is None or token.is_expired() or token.resource:
            return None
        if token.application is not None and not token.application.is_usable(request):
            return None
        return token.user, token


class BearerTokenScheme(OpenApiAuthenticationExtension):
    target_class = BearerTokenAuthentication
    name = "oauth2"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        from oauth2_provider.scopes import get_scopes_backend

        scopes = get_scopes_backend().get_all_scopes()
        return {
            "type": "oauth2",
            "flows": {
                "clientCredentials": {"tokenUrl": "/oauth/token/", "scopes": scopes},
                "authorizationCode": {
                    "authorizationUrl": "/oauth/authorize/",
                    "tokenUrl": "/oauth/token/",
                    "refreshUrl": "/oauth/token/",
                    "scopes": scopes,
                },
            },
        }
