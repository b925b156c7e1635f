"""The rules of our OAuth2 server beyond those of django-oauth-toolkit (RFC 6749, 6750, 7009, 7636, 9700).

What lies in the database opens nothing: the library keeps access and refresh tokens as digests
(``COMPLIANT_BCP_RFC9700_TOKEN_STORAGE``), client secrets hashed as passwords are; codes, which it would keep as they
are, are kept as digests here. A token never outlives whom it acts for.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.contrib.auth.hashers import check_password
from django.db import transaction
from django.http import JsonResponse
from oauth2_provider.models import AccessToken, Application, RefreshToken
from oauth2_provider.oauth2_validators import OAuth2Validator
from oauth2_provider.scopes import SettingsScopes
from oauth2_provider.settings import oauth2_settings
from oauth2_provider.views import IntrospectTokenView
from oauthlib.oauth2.rfc6749 import errors

from opticshop.core import acting, clock
from opticshop.core.prepared import Prepared
from opticshop.core.sealing import digest

from .models import ServiceAccount, SignIn
from .session_store import SEEN_EVERY, device_words

CLIENT_CREDENTIALS = Application.GRANT_CLIENT_CREDENTIALS


def service_account_of(application: Any) -> ServiceAccount | None:
    return getattr(application, "service_account", None)


class Scopes(SettingsScopes):
    """A service account is given its own scopes at most (RFC 6749, 3.3: ``invalid_scope`` beyond)."""

    def get_available_scopes(
        self, application: Any = None, request: Any = None, *args: Any, **kwargs: Any
    ) -> list[str]:
        account = service_account_of(application)
        if account is None or account.scopes is None:
            return list(super().get_available_scopes(application, request))
        return list(account.scopes)


class Validator(OAuth2Validator):
    # --- clients ----------------------------------------------------------------------------------------------------

    def _load_application(self, client_id: str, request: Any) -> Any:
        """A service account that ended is a client that is not known: ``invalid_client`` (RFC 6749, 5.2)."""
        client = super()._load_application(client_id, request)
        if client is not None and not stands(client):
            request.client = None
            return None
        return client

    def _check_secret(self, provided_secret: str, stored_secret: str) -> bool:
        """The secret of the client, or for the overlap after a rotation the one before."""
        if super()._check_secret(provided_secret, stored_secret):
            return True
        previous = (
            ServiceAccount.objects.filter(application__client_secret=stored_secret, overlap_ends_at__gt=clock.now())
            .values_list("previous_secret", flat=True)
            .first()
        )
        return check_password(provided_secret, previous) if previous else False

    # --- codes are kept as digests ----------------------------------------------------------------------------------

    def _create_authorization_code(self, request: Any, code: Any, expires: Any = None) -> Any:
        return super()._create_authorization_code(request, {**code, "code": digest(code["code"])}, expires)

    def validate_code(self, client_id: str, code: str, client: Any, request: Any, *args: Any, **kwargs: Any) -> bool:
        found = super().validate_code(client_id, digest(code), client, request, *args, **kwargs)
        return bool(found) and request.user.is_active

    def confirm_redirect_uri(self, client_id: str, code: str, *args: Any, **kwargs: Any) -> bool:
        return bool(super().confirm_redirect_uri(client_id, digest(code), *args, **kwargs))

    def invalidate_authorization_code(self, client_id: str, code: str, *args: Any, **kwargs: Any) -> None:
        super().invalidate_authorization_code(client_id, digest(code), *args, **kwargs)

    def get_code_challenge(self, code: str, request: Any) -> Any:
        return super().get_code_challenge(digest(code), request)

    def get_code_challenge_method(self, code: str, request: Any) -> Any:
        return super().get_code_challenge_method(digest(code), request)

    def get_authorization_code_scopes(self, client_id: str, code: str, *args: Any, **kwargs: Any) -> Any:
        return super().get_authorization_code_scopes(client_id, digest(code), *args, **kwargs)

    def get_authorization_code_nonce(self, client_id: str, code: str, *args: Any, **kwargs: Any) -> Any:
        return super().get_authorization_code_nonce(client_id, digest(code), *args, **kwargs)

    def _check_and_set_request_resource(self, request: Any) -> None:
        """It looks the code up by ``request.code``."""
        code = request.code
        if code:
            request.code = digest(code)
        try:
            super()._check_and_set_request_resource(request)
        finally:
            request.code = code

    # --- tokens -----------------------------------------------------------------------------------------------------

    def validate_refresh_token(self, refresh_token: str, client: Any, request: Any, *args: Any, **kwargs: Any) -> bool:
        """Besides: not for whom has been deactivated, and not beyond the absolute limit of the sign-in."""
        if not super().validate_refresh_token(refresh_token, client, request, *args, **kwargs):
            return False
        if not request.user.is_active:
            return False
        family = request.refresh_token_instance.token_family
        return not SignIn.objects.filter(token_family=family, expire_date__lte=clock.now()).exists()

    def _save_bearer_token(self, token: dict[str, Any], request: Any, *args: Any, **kwargs: Any) -> None:
        used = getattr(request, "refresh_token_instance", None)
        if used is not None:
            _refuse_if_used(used, request)
        account = service_account_of(request.client)
        if account is not None:
            left = (account.ends_at() - clock.now()).total_seconds()
            token["expires_in"] = int(min(token.get("expires_in", oauth2_settings.ACCESS_TOKEN_EXPIRE_SECONDS), left))
            ServiceAccount.objects.filter(id=account.id).update(used_at=clock.now())
        super()._save_bearer_token(token, request, *args, **kwargs)

    def _create_refresh_token(self, request: Any, refresh_token_code: str, access_token: Any, previous: Any) -> Any:
        made = super()._create_refresh_token(request, refresh_token_code, access_token, previous)
        if made.token_family is not None:
            lasts = dt.timedelta(seconds=settings.OPTICSHOP_SESSION_SECONDS)
            now = clock.now()
            SignIn.objects.update_or_create(
                token_family=made.token_family,
                defaults={"seen_at": now},
                create_defaults={
                    "way": SignIn.Way.APP,
                    "user": request.user,
                    "application": request.client,
                    "address": acting.current().address,
                    "device": device_words(request.headers.get("HTTP_USER_AGENT", "")),
                    "expire_date": now + lasts,
                },
            )
        return made

    def _load_access_token(self, token: str) -> Any:
        return standing_token(token)


def _refuse_if_used(used: Any, request: Any) -> None:
    """Of two requests that come with one refresh token at a time, one gets tokens (RFC 9700, 4.14.2); the library would
    answer the other with what it keeps of them, which is nothing."""
    if RefreshToken.objects.select_for_update().filter(pk=used.pk, revoked__isnull=False).exists():
        raise UsedMeanwhile(request=request)


class UsedMeanwhile(errors.InvalidGrantError):
    """With the headers that the library gives to the refusals of its own steps (RFC 6749, 5.2)."""

    @property
    def headers(self) -> dict[str, str]:
        return {"Content-Type": "application/json", "Cache-Control": "no-store", "Pragma": "no-cache"}


def stands(application: Any) -> bool:
    """Whether the client may have and use tokens: one that acts for a service account as long as that holds."""
    if application.authorization_grant_type != CLIENT_CREDENTIALS:
        return True
    account = service_account_of(application)
    return account is not None and account.holds() and application.user.is_active


def _with_holder(checksum: str) -> Any:
    tokens = AccessToken.objects.select_related("user", "application__user", "application__service_account", "sign_in")
    return tokens.filter(token_checksum=checksum)


_TOKENS: Prepared[Any] = Prepared(
    _with_holder, field=AccessToken._meta.get_field("token_checksum"), stand_in="the digest of a token"
)


def standing_token(raw: str) -> Any:
    """The access token, if whom it acts for still stands. One query; the moment it is seen is written now and then."""
    found = next(iter(_TOKENS.rows(digest(raw))), None)
    if found is None or (found.application is not None and not stands(found.application)):
        return None
    if found.user is not None and not found.user.is_active:
        return None
    sign_in: SignIn | None = getattr(found, "sign_in", None)
    return found if sign_in is None or _seen(sign_in) else None


def _seen(sign_in: SignIn) -> bool:
    """Whether an operator's token is in use: not idle for too long, not over its time."""
    now, idle = clock.now(), dt.timedelta(seconds=settings.OPTICSHOP_OPERATOR_IDLE_SECONDS)
    if sign_in.expire_date <= now or sign_in.seen_at + idle <= now:
        return False
    if now - sign_in.seen_at > min(SEEN_EVERY, idle / 10):
        with transaction.atomic():
            SignIn.objects.filter(id=sign_in.id).update(seen_at=now)
    return True


class Introspection(IntrospectTokenView):
    """RFC 7662, for clients; a token whose holder does not stand any more is not active."""

    @staticmethod
    def get_token_response(token_value: str | None = None) -> JsonResponse:
        if token_value is not None and standing_token(token_value) is None:
            return JsonResponse({"active": False})
        return IntrospectTokenView.get_token_response(token_value)
