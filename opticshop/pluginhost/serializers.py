from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import ProblemFieldOut, StrictSerializer
from opticshop.plugin_api import json_ready

from .discovery import BROKEN
from .services.calculating import MAX_ROWS

_OBJECT = {"type": "object", "additionalProperties": True}
_LISTS = {"type": "object", "additionalProperties": {"type": "array", "items": {"type": "string"}}}

PLUGIN_STATES = ["active", "off", "failed", "left_out"]
PLUGIN_PROBLEMS = sorted({"manifest", "api", "settings", "duplicate", *BROKEN})
STANDARD_APPLIES_TO = ["mounted", "uncut"]


@extend_schema_field(_OBJECT)
class ObjectField(serializers.JSONField):
    """A JSON object, whatever is in it."""

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        value = super().to_internal_value(data)
        if not isinstance(value, dict):
            raise serializers.ValidationError("This must be an object.", code="not_an_object")
        return value

    def to_representation(self, value: Any) -> Any:
        return json_ready(value)


@extend_schema_field(_LISTS)
class BringsField(serializers.JSONField):
    """Keys by kind of thing."""


class SettingsProblemOut(serializers.Serializer[Any]):
    path = serializers.ListField(child=serializers.CharField())
    message = serializers.CharField()


class ActivationOut(serializers.Serializer[Any]):
    plugin = serializers.CharField()
    branch = serializers.UUIDField(source="branch.id", default=None, allow_null=True, help_text="Null: the group")
    version = serializers.IntegerField(help_text="0 where nothing has been decided yet")
    is_active = serializers.BooleanField(allow_null=True, help_text="Null: as the group says; for the group: on")
    settings = ObjectField(help_text="What was set here; secrets are left out")
    secrets_set = serializers.ListField(child=serializers.CharField(), help_text="Secrets that have a value")
    effective_is_active = serializers.BooleanField()
    effective_settings = ObjectField(help_text="Defaults, overlaid with the group's and the branch's settings")
    problems = SettingsProblemOut(many=True, help_text="What the plugin's present version does not admit")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Switched off at one branch",
            value={"branch": "01890a5d-ac96-774b-bcce-b302099a8057", "is_active": False, "settings": {}},
        )
    ]
)
class ActivationSetIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, allow_null=True, help_text="Left out or null: the group")
    is_active = serializers.BooleanField(allow_null=True, help_text="Null: as the group says; for the group: on")
    settings = ObjectField(help_text="Replaces what was set here; a secret that is left out stays")


class PluginOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    title = serializers.CharField()
    version = serializers.CharField()
    api = serializers.CharField(help_text="Versions of the plugin contract that it works with")
    description = serializers.CharField()
    distribution = serializers.CharField()
    state = serializers.ChoiceField(
        PLUGIN_STATES,
        help_text="active or off: as the group's word is; failed: its code broke; left_out: a rule refused it",
    )
    problem = serializers.ChoiceField(PLUGIN_PROBLEMS, allow_null=True)
    reason = serializers.CharField(help_text="Why it is not used; empty if it is")
    brings = BringsField()
    settings_schema = ObjectField(help_text="JSON Schema 2020-12 of its settings")
    default_settings = ObjectField()
    activations = ActivationOut(many=True, help_text="What was decided for the group and for your branches")


class CalculatorOut(serializers.Serializer[Any]):
    name = serializers.CharField(source="key")
    title = serializers.CharField(source="thing.title")
    version = serializers.CharField(source="thing.version")
    topic = serializers.CharField(source="thing.topic")
    source = serializers.CharField(source="thing.source", help_text="Where the formula comes from")  # type: ignore[assignment]
    plugin = serializers.CharField(source="plugin.name")


class WorkedExampleOut(serializers.Serializer[Any]):
    inputs = ObjectField()
    outputs = ObjectField()
    tolerance = serializers.FloatField()
    source = serializers.CharField()  # type: ignore[assignment]


class CalculatorDetailOut(CalculatorOut):
    input_schema = serializers.SerializerMethodField(help_text="JSON Schema 2020-12")
    output_schema = serializers.SerializerMethodField(help_text="JSON Schema 2020-12")
    example = serializers.SerializerMethodField(help_text="Inputs that can be sent as they are")
    worked_examples = WorkedExampleOut(source="thing.worked_examples", many=True)

    def get_input_schema(self, brought: Any) -> dict[str, Any]:
        return dict(brought.thing.Inputs.model_json_schema())

    def get_output_schema(self, brought: Any) -> dict[str, Any]:
        return dict(brought.thing.Outputs.model_json_schema(mode="serialization"))

    def get_example(self, brought: Any) -> dict[str, Any]:
        return dict(brought.thing.example().model_dump(mode="json"))


class CalculatorInputsIn(serializers.BaseSerializer[Any]):
    """The inputs as the calculator itself declares them; the calculator checks them."""

    def to_internal_value(self, data: Any) -> Any:
        return data


class CalculatorBatchIn(StrictSerializer):
    rows = serializers.ListField(child=serializers.JSONField(), min_length=1, max_length=MAX_ROWS)


class CalculatorWarningOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    message = serializers.CharField()


class CalculatorAnswerOut(serializers.Serializer[Any]):
    calculator = serializers.CharField()
    version = serializers.CharField()
    plugin = serializers.CharField()
    source = serializers.CharField(help_text="Where the formula comes from")  # type: ignore[assignment]
    inputs = ObjectField(help_text="The inputs as understood, defaults included")
    outputs = ObjectField()
    assumptions = serializers.ListField(child=serializers.CharField())
    warnings = CalculatorWarningOut(many=True)


class RowProblemOut(serializers.Serializer[Any]):
    code = serializers.CharField()
    title = serializers.CharField()
    detail = serializers.CharField()
    errors = ProblemFieldOut(many=True, required=False)  # type: ignore[assignment]


class RowAnswerOut(serializers.Serializer[Any]):
    index = serializers.IntegerField(help_text="Place of the row in the request, from 0")
    outputs = ObjectField(allow_null=True)
    assumptions = serializers.ListField(child=serializers.CharField())
    warnings = CalculatorWarningOut(many=True)
    problem = RowProblemOut(allow_null=True)


class CalculatorBatchOut(serializers.Serializer[Any]):
    calculator = serializers.CharField()
    version = serializers.CharField()
    plugin = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    computed = serializers.IntegerField(help_text="Rows with outputs")
    failed = serializers.IntegerField(help_text="Rows with a problem")
    rows = RowAnswerOut(many=True)


class StandardOut(serializers.Serializer[Any]):
    key = serializers.CharField()
    title = serializers.CharField(source="thing.title")
    standard = serializers.CharField(source="thing.standard")
    edition = serializers.CharField(source="thing.edition")
    applies_to = serializers.ChoiceField(STANDARD_APPLIES_TO, source="thing.applies_to")
    lens_kinds = serializers.SerializerMethodField()
    plugin = serializers.CharField(source="plugin.name")
    version = serializers.CharField(source="plugin.manifest.version", help_text="Version of the plugin")

    def get_lens_kinds(self, brought: Any) -> list[str]:
        return sorted(brought.thing.lens_kinds)


class LimitOut(serializers.Serializer[Any]):
    parameter = serializers.CharField()
    band = serializers.CharField(help_text="Of which ordered values it holds")
    limit = serializers.CharField(help_text="Symmetric and inclusive; may grow with the power")
    unit = serializers.CharField()
    clause = serializers.CharField()
    confidence = serializers.CharField(help_text="How well the number is known", source="confidence.value")
    source = serializers.CharField(help_text="Where the number was read")  # type: ignore[assignment]


class StandardDetailOut(StandardOut):
    limits = LimitOut(many=True)
