import hashlib
from typing import Any

from django.utils import timezone
from rest_framework import authentication, exceptions

from . import models as m


class KeptToken(authentication.TokenAuthentication):
    """TokenAuthentication over the table of tokens that is there, whose keys are digests."""

    keyword = "Bearer"

    def authenticate_credentials(self, key: str) -> Any:
        digest = hashlib.sha256(key.encode()).hexdigest()
        found = m.Token.objects.select_related("application__user").filter(token_checksum=digest).first()
        if found is None or found.expires <= timezone.now() or not found.application.user.is_active:
            raise exceptions.AuthenticationFailed
        return found.application.user, found
