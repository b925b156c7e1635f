"""The base of every view set: declared permissions, scoped selectors, shapes per action, ETag and idempotency.

A view set states, per action, the permission (``permissions``) and the shapes (``inputs``, ``outputs``). What is not
declared is refused when the routes are built, so an open endpoint cannot be made by forgetting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from typing import Any, ClassVar, cast

from django.core.exceptions import ImproperlyConfigured
from django.db import models, transaction
from django.http import HttpResponse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from . import acting, idempotency, kept, preconditions, showing
from .actor import Actor
from .errors import IdempotencyKeyNotTaken, NotFound, PreconditionRequired, VersionMismatch
from .locks import lock_rows
from .requests import HoldsDeclaredPermission, actor_of

CHANGED_MEANWHILE = "Somebody else changed this. Read it again, make your change to what you find, and send its ETag."


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
    #: what a POST does with an Idempotency-Key: "required", "optional" (where nothing is said), or "never", for an
    #: answer that must not be kept, because it tells a secret once.
    idempotent: ClassVar[Mapping[str, str]] = {}
    #: actions besides PATCH and PUT that need If-Match; the others heed it where it is sent.
    guarded: ClassVar[frozenset[str]] = frozenset()
    #: word of the trade under which the documentation groups this resource.
    tag: ClassVar[str] = ""
    #: singular noun used in operation ids, for instance "customer".
    noun: ClassVar[str] = ""
    #: a plain sentence per action for the documentation.
    summaries: ClassVar[Mapping[str, str]] = {}
    #: extra success status per action where it is not 200 (or 201 for create).
    statuses: ClassVar[Mapping[str, int]] = {}
    lookup_value_regex = "[0-9a-fA-F-]{36}"
    #: Whether the SQL by which one thing is found is kept: the selector may ask nothing of the actor but what it may
    #: see, and uses neither annotations nor the clock (tests/contracts/test_contracts_prepared.py).
    prepared: ClassVar[bool] = False
    #: The names in the query with which the SQL of the list is kept too, and what is new with each of them
    #: (``core.kept``): only such whose filter asks neither the database nor the clock nor the caller. None: not kept.
    kept_queries: ClassVar[Mapping[str, kept.Slot | None] | None] = None
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
        found = self._by_prepared_query() if self.prepared else self._by_query()
        if found is None:
            raise NotFound(f"There is no {self.noun} {self.kwargs['pk']} here.")
        acting.saw(type(found), [found])
        return found

    def _by_query(self) -> Any:
        rows = self.get_queryset()
        return self.filter_queryset(rows).filter(pk=self._key(rows.model)).first()

    def _by_prepared_query(self) -> Any:
        """As ``_by_query``, with the SQL that was made for the first who may see the same and asked the same."""
        found, is_kept = kept.one(self, self.kwargs["pk"])
        return found if is_kept else self._by_query()

    def _key(self, model: type[models.Model]) -> Any:
        try:
            return model._meta.pk.to_python(self.kwargs["pk"])
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

    def shape_of(self, instance: Any) -> Any:
        """The instance in the shape declared for this action."""
        return showing.shown(self.get_serializer_class(), instance, self.get_serializer_context())

    def shapes_of(self, rows: Iterable[Any]) -> list[Any]:
        return showing.all_shown(self.get_serializer_class(), rows, self.get_serializer_context())

    def answer(self, instance: Any, *, status: int | None = None) -> Response:
        """The output shape of an instance, with the ETag that a GET of it answers; 304 to whoever names that."""
        body = self.shape_of(instance)
        tag = self._tag(instance, body)
        headers = {} if tag is None else {"ETag": tag}
        asked = self.request.headers.get("If-None-Match") if self.request.method in {"GET", "HEAD"} else None
        if tag is not None and preconditions.is_unchanged(asked, tag):
            return Response(status=304, headers=headers)
        return Response(body, status=status or self.statuses.get(self.action, 200), headers=headers)

    def _tag(self, instance: Any, body: Any) -> str | None:
        """Of a body in the shape of GET its own tag; in another shape that of the version alone, if there is one."""
        version = getattr(instance, "version", None)
        version = version if isinstance(version, int) else None
        is_shape_of_get = self.get_serializer_class() is self.outputs.get("retrieve", self.output)
        if (hasattr(self, "retrieve") and is_shape_of_get) or (version is not None and self.request.method == "GET"):
            return preconditions.entity_tag(version, body)
        return None if version is None else preconditions.entity_tag(version)

    def expected_version(self) -> int:
        """The version named by If-Match; of several, and for ``*``, the one that stands.

        Raises PreconditionRequired when missing, VersionMismatch when unusable or when none of several stands.
        """
        header = self.request.headers.get("If-Match")
        if header is None:
            raise PreconditionRequired(field="If-Match", allowed="the ETag of the version you read")
        named = preconditions.versions_named(header)
        if named is not None and len(named) == 1:
            return next(iter(named))
        current = self.current_version()
        if named is not None and current not in named:
            raise VersionMismatch(CHANGED_MEANWHILE, field="If-Match")
        return current

    def current_version(self) -> int:
        """The version that stands; overridden where the thing is not found by ``pk`` in the selector."""
        return int(self.get_object().version)

    def handle_exception(self, exc: Exception) -> Response:
        """A 412 says what stands now and what to do: by then the write is undone."""
        if isinstance(exc, VersionMismatch) and "ETag" not in exc.headers:
            if exc.detail == exc.title:
                exc.detail = CHANGED_MEANWHILE
            with suppress(NotFound, AttributeError, KeyError, ImproperlyConfigured):  # gone, or without a version
                exc.headers["ETag"] = preconditions.entity_tag(self.current_version())
        return super().handle_exception(exc)

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        response = super().dispatch(request, *args, **kwargs)
        # The view and its request hold each other: with them the answer would wait for the collector of cycles.
        del self.response
        if isinstance(response, Response):
            response.add_post_render_callback(_without_context)
        return response

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        method = str(request.method).lower()
        if not hasattr(self, method):
            return  # refused with 405 by the caller
        if self._heeds_if_match():
            setattr(self, method, self._if_unchanged(getattr(self, method)))
        if method == "post" and self.action and self._keeps_answer():
            setattr(self, method, self._once(getattr(self, method)))

    def _keeps_answer(self) -> bool:
        mode = self.idempotent.get(self.action, "optional")
        if "Idempotency-Key" not in self.request.headers:
            return mode == "required"
        if mode == "never" or self.request.content_type.startswith("multipart/"):
            raise IdempotencyKeyNotTaken(field="Idempotency-Key", allowed="this request without the header")
        return True

    def _heeds_if_match(self) -> bool:
        """Whether the view itself compares If-Match: the services of amendments and guarded actions do it with the
        write, all other changes of a thing that can be read are made while its row is held."""
        if self.request.method not in {"POST", "DELETE"} or "If-Match" not in self.request.headers:
            return False
        return "pk" in self.kwargs and isinstance(self, Retrieves) and self.action not in self.guarded

    def _if_unchanged(self, handler: Any) -> Any:
        def held(request: Request, *args: Any, **kwargs: Any) -> Any:
            with transaction.atomic():
                self._hold(request.headers["If-Match"])
                return handler(request, *args, **kwargs)

        return held

    def _hold(self, if_match: str) -> None:
        """Lock the row and compare. Raises VersionMismatch."""
        found = self.get_object()
        [row] = lock_rows(type(found)._base_manager.filter(pk=found.pk))
        version = getattr(row, "version", None)
        if isinstance(version, int):
            named = preconditions.versions_named(if_match)
            if named is not None and version not in named:
                raise VersionMismatch(CHANGED_MEANWHILE, field="If-Match")
            return
        strong, tag = preconditions.tags_named(if_match), self._shown_tag()
        if strong != preconditions.ANY and tag not in strong:
            raise VersionMismatch(CHANGED_MEANWHILE, field="If-Match", headers={"ETag": str(tag)})

    def _shown_tag(self) -> str | None:
        """The tag that GET answers at this moment."""
        asked, self.action = self.action, "retrieve"
        try:
            found = self.get_object()
            return self._tag(found, self.shape_of(found))
        finally:
            self.action = asked

    def _once(self, handler: Any) -> Any:
        def once(request: Request, *args: Any, **kwargs: Any) -> Any:
            return self._answer_once(handler, request, *args, **kwargs)

        return once

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
                if hasattr(response, "render"):
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
        rows: Any = kept.pages(self, request) or self.filter_queryset(self.get_queryset())
        page = self.paginate_queryset(rows)
        if page:
            acting.saw(type(page[0]), page)
        return self.get_paginated_response(self.shapes_of(page or []))


class Retrieves(ApiViewSet):
    """Offers ``GET /things/{id}/``, with its ETag; If-None-Match is answered 304."""

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.answer(self.get_object())


class ResourceViewSet(Lists, Retrieves):
    """What most resources are: a list and one thing, with writes added as methods."""


def _without_context(response: Any) -> None:
    """What it was rendered with; the answer itself stands in it, too."""
    response.renderer_context = {}


def _replayed(record: Any) -> HttpResponse:
    response = HttpResponse(bytes(record.body), status=record.status, content_type=record.content_type)
    for name, value in record.headers.items():
        response[name] = value
    response["Idempotent-Replayed"] = "true"
    return response
