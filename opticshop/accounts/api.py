from __future__ import annotations

from typing import cast

from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.actor import ALL
from opticshop.core.api import ApiViewSet

from .credentials_api import credentials_routes
from .models import Membership, User
from .people_api import routes as people_routes
from .serializers import MeOut


class MeViewSet(ApiViewSet):
    """Who you are here and what you may do where."""

    tag, noun = "Sign-in", "me"
    permissions = {"list": "signed-in"}
    permission_classes = [IsAuthenticated]
    pagination_class = None
    output = MeOut
    summaries = {"list": "Who am I and what may I do"}

    def list(self, request: Request) -> Response:
        user, actor = cast(User, request.user), self.actor
        body = {
            "id": user.id,
            "username": user.get_username(),
            "display_name": str(user),
            "kind": actor.kind,
            "registration_number": user.registration_number,
            "memberships": Membership.objects.filter(user=user).order_by("id"),
            "permissions": {
                name: ["all"] if where is ALL else sorted(map(str, where))
                for name, where in sorted(actor.grants.items())
            },
        }
        return Response(MeOut(body).data)


routes = [("me", MeViewSet), *people_routes, *credentials_routes]
