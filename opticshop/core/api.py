"""The base of every view set: declared permissions, scoped selectors, shapes per action, ETag and idempotency.

A view set states, per action, the permission (``permissions``) and the shapes (``inputs``, ``outputs``). What is not
declared is refused when the routes are built, so an open endpoint cannot be made by forgetting.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, ClassVar, cast

from django.core.exceptions import ImproperlyConfigured
from django.db import models, transaction
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from . import acting, idempotency
from .actor import Actor
from .errors import NotFound, PreconditionRequired, VersionMismatch
from .requests import HoldsDeclaredPermission, actor_of

_VERSION = re.compile(r"[0-9]{1,9}")


class ApiViewSet(GenericViewSet[Any]):
    #: action name -> permission that it needs.
    permissions: ClassVar[Mapping[str, str]] = {}
    #: action name -> serializer of the request body.
    inputs: ClassVar[Mapping[str, type[serializers.BaseSerializer[Any]]]] = {}
    #: action name -> serializer of the answer; ``output`` is the default.
    outputs: ClassVar[Mapping[str, type[serializers.BaseSerializer[Any]]]] = {}
    output: ClassVar[type[serializers.BaseSerializer[Any]] | None] = None
    #: selector(actor, ...) -> queryset, already limited to what the actor may see.
    selector: ClassVar[Callable[..., models.QuerySet[Any]] | None] = None
    #: actions that carry an Idempotency-Key: "required" or "optional".
    idempotent: ClassVar[Mapping[str, str]] = {}
    #: word of the trade under which the documentation groups this resource.
    tag: ClassVar[str] = ""
    #: singular noun used in operation ids, for instance "customer".
    noun: ClassVar[str] = ""
    #: a plain sentence per action for the documentation.
    summaries: ClassVar[Mapping[str, str]] = {}
    #: extra success status per action where it is not 200 (or 201 for create).
    statuses: ClassVar[Mapping[str, int]] = {}
    lookup_value_regex = "[0-9a-fA-F-]{36}"
    permission_classes = [HoldsDeclaredPermission]

    @classmethod
    def as_view(cls, actions: Any = None, **initkwargs: Any) -> Any:
        for action in (actions or {}).values():
            if action not in cls.permissions:
                raise ImproperlyConfigured(f"{cls.__name__}.{action} declares no permission")
        if not cls.tag or not cls.noun:
            raise ImproperlyConfigured(f"{cls.__name__} needs a tag and a noun for the documentation")
        return super().as_view(actions, **initkwargs)

    @property
    def actor(self) -> Actor:
        return actor_of(self.request)

    def get_queryset(self) -> models.QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return self._model_for_schema()
        selector = type(self).selector
        if selector is None:
            raise ImproperlyConfigured(f"{type(self).__name__} has no selector")
        return selector(self.actor)

    def _model_for_schema(self) -> models.QuerySet[Any]:
        output = self.get_serializer_class()
        model = getattr(getattr(output, "Meta", None), "model", None)
        return model._base_manager.none() if model else models.QuerySet()

    def get_object(self) -> Any:
        found = self.filter_queryset(self.get_queryset()).filter(pk=self._key()).first()
        if found is None:
            raise NotFound(f"There is no {self.noun} {self.kwargs['pk']} here.")
        acting.saw(type(found), [found])
        return found

    def _key(self) -> Any:
        field = self.get_queryset().model._meta.pk
        try:
            return field.to_python(self.kwargs["pk"])
        except Exception as error:
            raise NotFound(f"There is no {self.noun} {self.kwargs['pk']} here.") from error

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        found = self.outputs.get(self.action, self.output)
        if found is None:
            raise ImproperlyConfigured(f"{type(self).__name__}.{self.action} has no output serializer")
        return found

    def read_input(self) -> dict[str, Any]:
        """The validated request body, in the shape declared for this action."""
        serializer = self.inputs[self.action](data=self.request.data, context=self.get_serializer_context())
        serializer.is_valid(raise_exception=True)
        return cast(dict[str, Any], serializer.validated_data)

    def answer(self, instance: Any, *, status: int | None = None) -> Response:
        """The output shape of an instance, with its ETag where the row is versioned."""
        headers = {}
        version = getattr(instance, "version", None)
        if version is not None:
            headers["ETag"] = f'"{version}"'
        body = self.get_serializer_class()(instance, context=self.get_serializer_context()).data
        return Response(body, status=status or self.statuses.get(self.action, 200), headers=headers)

    def expected_version(self) -> int:
        """The version named by If-Match. Raises PreconditionRequired when missing, VersionMismatch when unusable."""
        header = self.request.headers.get("If-Match")
        if header is None:
            raise PreconditionRequired(field="If-Match", allowed="the ETag of the version you read")
        text = header.strip().strip('"')
        if header.strip().startswith("W/") or not _VERSION.fullmatch(text):
            raise VersionMismatch("If-Match must be the strong ETag you were given.", field="If-Match")
        return int(text)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        mode = self.idempotent.get(self.action) if request.method == "POST" else None
        if mode is None or (mode == "optional" and "Idempotency-Key" not in request.headers):
            return
        handler = getattr(self, self.action)

        def once(request: Request, *args: Any, **kwargs: Any) -> Any:
            return self._answer_once(handler, request, *args, **kwargs)

        self.post = once

    def _answer_once(self, handler: Any, request: Request, *args: Any, **kwargs: Any) -> Any:
        key = idempotency.key_from_header(request.headers.get("Idempotency-Key"))
        claim = idempotency.claim(
            credential=str(self.actor.id or self.actor.label),
            route=f"{request.method} {request.path}"[:200],
            key=key,
            body=request._request.body,
        )
        if claim.replay:
            return _replayed(claim.record)
        try:
            with transaction.atomic():
                response = handler(request, *args, **kwargs)
                response = self.finalize_response(request, response, *args, **kwargs)
                response.render()
                idempotency.store_answer(
                    claim.record,
                    status=response.status_code,
                    body=response.content,
                    content_type=response["Content-Type"],
                    headers={name: response[name] for name in ("ETag", "Location") if name in response},
                )
        except BaseException:
            idempotency.release(claim.record)
            raise
        return response


class Lists(ApiViewSet):
    """Offers ``GET /things/``: a page of what the selector shows."""

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        if page:
            acting.saw(type(page[0]), page)
        body = self.get_serializer_class()(page, many=True, context=self.get_serializer_context()).data
        return self.get_paginated_response(body)


class Retrieves(ApiViewSet):
    """Offers ``GET /things/{id}/``, with its ETag; If-None-Match is answered 304."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = self.get_object()
        version = getattr(found, "version", None)
        if version is not None and request.headers.get("If-None-Match") == f'"{version}"':
            return Response(status=304, headers={"ETag": f'"{version}"'})
        return self.answer(found)


class ResourceViewSet(Lists, Retrieves):
    """What most resources are: a list and one thing, with writes added as methods."""


def _replayed(record: Any) -> HttpResponse:
    response = HttpResponse(bytes(record.body), status=record.status, content_type=record.content_type)
    for name, value in record.headers.items():
        response[name] = value
    response["Idempotent-Replayed"] = "true"
    return response
