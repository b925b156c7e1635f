"""Filters of lists that say so when they are asked for something that they do not know."""

from __future__ import annotations

from functools import cache
from typing import Any

import django_filters
from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django_filters.rest_framework import DjangoFilterBackend
from rest_framework.exceptions import ValidationError as Malformed
from rest_framework.request import Request
from rest_framework.settings import api_settings


class _YesNoField(forms.Field):
    WORDS = {"true": True, "false": False}

    def to_python(self, value: Any) -> bool | None:
        if value in self.empty_values:
            return None
        if str(value).lower() not in self.WORDS:
            raise ValidationError("Say true or false.", code="invalid")
        return self.WORDS[str(value).lower()]


class YesNoFilter(django_filters.BooleanFilter):
    """``true`` or ``false``; anything else is refused, where the library's own filter would show everything."""

    field_class = _YesNoField


_SAYS_OF_A_SET = ("__init__", "form", "get_form_class", "is_valid", "qs", "filter_queryset")


@cache
def _acts_unasked(filters: type[django_filters.FilterSet]) -> bool:
    """Whether a set of filters may narrow a list, or refuse, although nothing of it stands in the query. A filter of
    our own, or a set with a say of its own, is taken to do so unless it says ``acts_unasked = False``."""
    if getattr(filters, "acts_unasked", True) and any(
        getattr(filters, name) is not getattr(django_filters.FilterSet, name) for name in _SAYS_OF_A_SET
    ):
        return True
    return any(
        each.extra.get("required") or "initial" in each.extra or not _leaves_nothing_as_it_is(each)
        for each in filters.base_filters.values()
    )


def _leaves_nothing_as_it_is(found: django_filters.Filter) -> bool:
    """Whether the filter is one of the library's, which do nothing with an empty value, or says so of itself."""
    own: Any = type(found)
    return str(own.filter.__module__).startswith("django_filters.") or not getattr(own, "acts_unasked", True)


class KnownFilters(DjangoFilterBackend):
    """Filters a list. A name in the query that the list does not know is refused: misspelt, it would show everything.

    What a list reads from the query besides its filters and pages it names in ``further_queries``.
    """

    def filter_queryset(self, request: Request, queryset: Any, view: Any) -> Any:
        if request.method in {"GET", "HEAD"} and getattr(view, "detail", None) is False:
            known = self.known(view, queryset)
            unknown = sorted(set(request.query_params) - known - {api_settings.URL_FORMAT_OVERRIDE})
            if unknown:
                words = f"No such filter here; known are {', '.join(sorted(known))}."
                raise Malformed({name: [words] for name in unknown}, code="unknown")
        if self._is_plain(request, queryset, view):
            return queryset
        return super().filter_queryset(request, queryset, view)

    def narrowed(self, view: Any, queryset: Any, query: QueryDict) -> Any:
        """What the view's filters leave of a list that is asked for with another query than the request's."""
        filters = self.get_filterset_class(view, queryset)
        return queryset if filters is None else filters(query, queryset=queryset, request=view.request).qs

    def _is_plain(self, request: Request, queryset: Any, view: Any) -> bool:
        """Whether nothing is asked for, so that no form need be made to find that out."""
        filters = self.get_filterset_class(view, queryset)
        if filters is None or request.query_params.keys() & filters.base_filters.keys():
            return filters is None
        return not _acts_unasked(filters)

    def known(self, view: Any, queryset: Any = None) -> set[str]:
        """The names in the query that the list reads."""
        filters = self.get_filterset_class(view, queryset)
        pages = view.paginator
        names = {getattr(pages, kind, None) for kind in ("cursor_query_param", "page_size_query_param")} - {None}
        return {*names, *getattr(view, "further_queries", ()), *(filters.base_filters if filters else ())}
