"""FHIR JSON on the wire: decimals keep the digits they are written with, in and out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import IO, Any

from rest_framework.exceptions import NotAcceptable, ParseError
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.parsers import get_encoding  # type: ignore[attr-defined]
from rest_framework.renderers import BaseRenderer

from opticshop.core.parsers import BoundedJSONParser

from .vocabulary import MEDIA_TYPE

_JSON = "application/json"


def written(value: Any) -> str:
    """Compact JSON. The json module would write a Decimal through a float and lose the last zero of -2.00."""
    if isinstance(value, Decimal):
        return f"{value + 0:f}"
    if isinstance(value, dict):
        return "{" + ",".join(f"{json.dumps(name)}:{written(inner)}" for name, inner in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(map(written, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


class FhirRenderer(BaseRenderer):
    media_type = MEDIA_TYPE
    format = "fhir+json"
    charset = None
    render_style = "binary"

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> bytes:
        return b"" if data is None else written(data).encode()


class JsonRenderer(FhirRenderer):
    """For a client that asks for plain JSON."""

    media_type = _JSON
    format = "json"


class FhirParser(BoundedJSONParser):
    media_type = MEDIA_TYPE

    def read(self, stream: IO[Any], media_type: str | None, parser_context: Mapping[str, Any] | None) -> Any:
        encoding = get_encoding(dict(parser_context or {}))
        try:
            return json.loads(
                stream.read().decode(encoding),
                parse_float=Decimal,
                parse_constant=_refused_constant,
                object_pairs_hook=_without_repeats,
            )
        except (ValueError, InvalidOperation) as error:
            raise ParseError(f"JSON parse error: {error}") from error


class PlainJsonParser(FhirParser):
    media_type = _JSON


def _refused_constant(name: str) -> Any:
    raise ValueError(f"{name} is no JSON")


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Of a sphere that is given twice neither may be taken."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a name is given twice in one object")
    return found


class FhirNegotiation(DefaultContentNegotiation):
    """``_format`` wins over Accept; a ``fhirVersion`` that this base does not speak is not acceptable."""

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        wanted = request.query_params.get("_format")
        if wanted is not None:
            found = _by_format(wanted, renderers)
            return found, found.media_type
        renderer, accepted = super().select_renderer(request, renderers, format_suffix)
        release = request.parser_context["view"].release
        for parameter in accepted.split(";")[1:]:
            name, _, value = parameter.strip().partition("=")
            if name.lower() == "fhirversion" and value.strip('"') != release.short_version:
                raise NotAcceptable(f"This base speaks FHIR {release.short_version}.")
        return renderer, accepted


def _by_format(wanted: str, renderers: Any) -> Any:
    for renderer in renderers:
        if wanted.replace(" ", "+") in {renderer.format, renderer.media_type}:
            return renderer
    raise NotAcceptable(f"_format is json or {MEDIA_TYPE}.")
