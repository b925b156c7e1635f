from __future__ import annotations

import django_filters

from opticshop.core.api import ResourceViewSet

from . import selectors
from .models import Message
from .permissions import CorrespondencePermission
from .serializers import MessageOut


class MessageFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = django_filters.UUIDFilter(field_name="customer_id")
    kind = django_filters.CharFilter(field_name="kind")
    state = django_filters.ChoiceFilter(choices=Message.State.choices)
    subject_ref = django_filters.CharFilter(field_name="subject_ref", label="What it is about: orders/<id>")

    class Meta:
        model = Message
        fields: list[str] = []


class MessageViewSet(ResourceViewSet):
    """What customers were told, or could not be told, and why."""

    tag, noun = "Messages", "message"
    selector = staticmethod(selectors.messages_visible_to)
    filterset_class = MessageFilter
    permissions = {"list": CorrespondencePermission.VIEW, "retrieve": CorrespondencePermission.VIEW}
    output = MessageOut
    summaries = {"list": "Find messages to customers", "retrieve": "Get one message"}


routes = [("messages", MessageViewSet)]
