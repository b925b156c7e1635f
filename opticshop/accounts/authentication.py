"""Bearer tokens of django-oauth-toolkit; a client-credentials token acts for its application's service account."""

from __future__ import annotations

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from oauth2_provider.contrib.rest_framework import OAuth2Authentication


class BearerTokenAuthentication(OAuth2Authentication):
    def authenticate(self, request: Any) -> Any:
        found = super().authenticate(request)
        if found is None:
            return None
        user, token = found
        if user is None:
            user = token.application.user if token.application else None
        if user is None or not user.is_active:
            return None
        return user, token


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
