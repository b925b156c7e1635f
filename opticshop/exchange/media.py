"""FHIR JSON on the wire: decimals keep the digits they are written with, in and out."""

from __future__ import annotations

import json
from decimal import Decimal, InvalidOperation
from typing import Any

from rest_framework.exceptions import NotAcceptable
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.renderers import BaseRenderer

from opticshop.core.parsers import LONGEST_NUMBER, BoundedJSONParser

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

    def number(self, text: str) -> Decimal:
        """What is far beyond any measurement is refused before anything is computed with it, or written out in full."""
        try:
            number = Decimal(text[: LONGEST_NUMBER + 1])
        except InvalidOperation as error:
            raise ValueError("an exponent is too large") from error
        if len(text) > LONGEST_NUMBER or abs(number.adjusted()) > LONGEST_NUMBER:
            raise ValueError("a number is too large, too small, or has too many digits")
        return number


class PlainJsonParser(FhirParser):
    media_type = _JSON


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
