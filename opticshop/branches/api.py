from __future__ import annotations

from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet

from . import selectors, services
from .permissions import BranchPermission
from .serializers import BranchChangeIn, BranchOpenIn, BranchOut


class BranchViewSet(ResourceViewSet):
    """The branches you work in."""

    tag, noun = "Branches", "branch"
    selector = staticmethod(selectors.branches_visible_to)
    permissions = {
        "list": BranchPermission.VIEW,
        "retrieve": BranchPermission.VIEW,
        "create": BranchPermission.EDIT,
        "partial_update": BranchPermission.EDIT,
    }
    inputs = {"create": BranchOpenIn, "partial_update": BranchChangeIn}
    output = BranchOut
    summaries = {
        "list": "List the branches you work in",
        "retrieve": "Get one branch",
        "create": "Open a branch (head office)",
        "partial_update": "Change a branch's details",
    }

    def create(self, request: Request) -> Response:
        return self.answer(services.branch_open(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        branch = self.get_object()
        changes = self.read_input()
        return self.answer(
            services.branch_change(actor=self.actor, branch=branch, version=self.expected_version(), changes=changes)
        )


routes = [("branches", BranchViewSet)]
