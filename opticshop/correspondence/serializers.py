from __future__ import annotations

from rest_framework import serializers

from .models import Message


class MessageOut(serializers.ModelSerializer[Message]):
    class Meta:
        model = Message
        fields = [
            "id",
            "branch",
            "customer",
            "kind",
            "purpose",
            "subject_ref",
            "channel",
            "to",
            "language",
            "subject",
            "body",
            "state",
            "due_at",
            "attempts",
            "attempted_at",
            "sent_at",
            "provider_reference",
            "detail",
            "created_at",
        ]
        read_only_fields = fields
