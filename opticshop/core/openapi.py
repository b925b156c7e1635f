"""The OpenAPI document: shapes per action, problem answers for every operation, strict decimal patterns."""

from __future__ import annotations

from typing import Any

from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse
from rest_framework import serializers

from .api import Lists, Retrieves
from .openapi_fields import let_be_empty, or_empty
from .serializers import ProblemOut, StrictSerializer

_ACTION_WORDS = {"partial_update": "amend", "retrieve": "get"}


class ShapesPerAction(AutoSchema):
    """Reads what ApiViewSet declares: nothing is said twice."""

    def _declared(self, name: str, default: Any = None) -> Any:
        return getattr(self.view, name, default)

    def _action(self) -> str:
        return getattr(self.view, "action", None) or self.method.lower()

    def get_tags(self) -> list[str]:
        tag = self._declared("tag")
        return [tag] if tag else super().get_tags()

    def get_operation_id(self) -> str:
        noun = self._declared("noun")
        if not noun:
            return super().get_operation_id()
        action = _ACTION_WORDS.get(self._action(), self._action())
        return f"{noun.replace(' ', '_').replace('-', '_')}_{action}"

    def get_summary(self) -> str | None:
        return self._declared("summaries", {}).get(self._action()) or super().get_summary()

    def get_request_serializer(self) -> Any:
        inputs = self._declared("inputs")
        if inputs is None:
            return super().get_request_serializer()
        return inputs.get(self._action())

    def get_response_serializers(self) -> Any:
        if self._declared("outputs") is None:
            return super().get_response_serializers()
        action = self._action()
        output = self.view.outputs.get(action, self.view.output)
        status = self.view.statuses.get(action, 201 if action == "create" else 200)
        if status == 204 or output is None:
            return {status: OpenApiResponse(description="Done")}
        return {status: output}

    def _needs_version(self) -> bool:
        """Whether the operation needs If-Match: every amendment, and the actions that the view calls ``guarded``."""
        return self.method in {"PATCH", "PUT"} or self._action() in self._declared("guarded", ())

    def _heeds_version(self) -> bool:
        """Whether If-Match is compared where it is sent: by every other change of a thing that can be read."""
        if self.method not in {"POST", "DELETE"} or "{id}" not in self.path or self._needs_version():
            return False
        return isinstance(self.view, Retrieves)

    def get_override_parameters(self) -> list[Any]:
        found = list(super().get_override_parameters())
        mode = self._declared("idempotent", {}).get(self._action(), "optional")
        if self.method == "POST" and self._declared("noun") and mode != "never" and not self._takes_a_file():
            found.append(
                OpenApiParameter(
                    "Idempotency-Key",
                    {"type": "string", "minLength": 1, "maxLength": 200},
                    OpenApiParameter.HEADER,
                    required=mode == "required",
                    description="Any text unique to this request; a repeat is answered with the first answer.",
                )
            )
        if self._needs_version() or self._heeds_version():
            found.append(
                OpenApiParameter(
                    "If-Match",
                    str,
                    OpenApiParameter.HEADER,
                    required=self._needs_version(),
                    description="The ETag you read; another version answers 412.",
                )
            )
        return found

    def _takes_a_file(self) -> bool:
        return any(parser.media_type.startswith("multipart/") for parser in self.view.get_parsers())

    def get_operation(self, *args: Any, **kwargs: Any) -> Any:
        operation = super().get_operation(*args, **kwargs)
        if operation is None or self._declared("noun", "") == "":
            return operation
        responses = operation["responses"]
        asks = any(parameter["in"] == "query" for parameter in operation.get("parameters", ()))
        for status, words in self._problems(asks).items():
            responses.setdefault(str(status), self._problem(words))
        return operation

    def _map_basic_serializer(self, serializer: Any, direction: str) -> Any:
        """An input that refuses unknown keys says so."""
        schema = super()._map_basic_serializer(serializer, direction)
        if direction == "request" and isinstance(serializer, StrictSerializer):
            schema["additionalProperties"] = False
        return schema

    def _map_serializer_field(self, field: Any, direction: str, bypass_extensions: bool = False) -> Any:
        if direction == "response":
            let_be_empty(field)
        return or_empty(field, super()._map_serializer_field(field, direction, bypass_extensions))

    def _is_list_view(self, serializer: Any = None) -> bool:
        """``GET /me/`` and its like answer one thing, although they have no id in their path."""
        if self._declared("noun") and self._action() == "list" and not isinstance(self.view, Lists):
            return bool(self._declared("lists_many", False))
        return bool(super()._is_list_view(serializer))

    def _problems(self, asks: bool) -> dict[int, str]:
        """``asks``: it takes parameters in its query, which may be malformed."""
        found = {401: "Not signed in", 403: "Not allowed", 406: "Not acceptable", 429: "Too many requests"}
        if "{" in self.path:
            found[404] = "Not there, or not yours"
        if self.method in {"POST", "PATCH", "PUT"}:
            found |= {
                400: "Not readable, or a field is missing or malformed",
                404: "Something named in the request is not there, or not yours",
                409: "The present state does not allow this",
                415: "Not JSON",
                422: "Readable, but not acceptable",
                503: "Busy; try again",
            }
        if self._needs_version():
            found |= {412: "Changed by somebody else", 428: "If-Match is missing"}
        elif self._heeds_version():
            found |= {412: "Changed by somebody else"}
        if self.method == "GET" and (asks or "{" not in self.path):
            found |= {400: "A filter or cursor is malformed", 422: "Not acceptable"}
            found.setdefault(404, "The page is not there")
        is_plain = self._action() == "retrieve" or (self._action() == "list" and isinstance(self.view, Lists))
        if self.method == "GET" and not is_plain:
            found[409] = "Not ready, or what makes it is not there"
        return dict(sorted(found.items()))

    def _problem(self, description: str) -> dict[str, Any]:
        component = self.resolve_serializer(ProblemOut, "response")
        return {
            "description": description,
            "content": {"application/problem+json": {"schema": component.ref}},
        }


class StrictDecimal(OpenApiSerializerFieldExtension):
    """The stock pattern for decimals admits the empty text; ours says what the field accepts."""

    target_class = serializers.DecimalField
    match_subclasses = True

    def map_serializer_field(self, auto_schema: Any, direction: str) -> dict[str, Any]:
        field = self.target
        whole = field.max_digits - field.decimal_places
        places = field.decimal_places
        fraction = rf"(\.\d{{1,{places}}})?" if places else ""
        schema: dict[str, Any] = {
            "type": "string",
            "format": "decimal",
            "pattern": rf"^-?\d{{1,{max(whole, 1)}}}{fraction}$",
        }
        unit = getattr(field, "unit", None)
        limits = [
            f"at least {field.min_value}" if field.min_value is not None else "",
            f"at most {field.max_value}" if field.max_value is not None else "",
        ]
        words = [f"In {unit}." if unit else "", " and ".join(w for w in limits if w)]
        note = " ".join(w[0].upper() + w[1:] for w in words if w)
        if note:
            schema["description"] = note
        return schema
