"""What is audited and how, computed from the models: every table of ours unless it is left out with a reason."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import models
from django.utils.module_loading import import_string

#: Columns with such names are never written down; the entry says only that they changed.
SECRET = re.compile(r"(^|_)(password|secret|token|checksum|jti|sealed|seed)($|_)")
#: Names that look like it and are none.
_NOT_SECRET = {"access_token_id", "source_refresh_token_id", "id_token_id", "hash_client_secret"}
#: From which of Django's and the libraries' apps tables are audited too.
_ACCESS_APPS = {"oauth2_provider", "auth"}


@dataclass(frozen=True, slots=True)
class Policy:
    """The decisions that cannot be computed; see ``opticshop.config.audited``."""

    #: table -> why it is not audited.
    left_out: Mapping[str, str] = field(default_factory=dict)
    #: table -> columns that count; a change of nothing else is no entry.
    counters: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    #: table -> columns that hold secrets by another name than SECRET knows, or that only look like it.
    secrets: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    plain: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    #: label of the model of the person whom records are about, and the table of branches.
    subject: str = ""
    branches: str = ""
    #: view set -> why its answers tell nothing of people.
    impersonal: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hop:
    """From a column to the row it points at."""

    column: str
    table: str
    key: str


@dataclass(frozen=True, slots=True)
class Audited:
    """One audited table."""

    table: str
    key: str
    secret: tuple[str, ...]
    counters: tuple[str, ...]
    #: The way to the person: hops, and the column that then holds the key; None if there is none.
    hops: tuple[Hop, ...] = ()
    person: str | None = None
    branch: str | None = None


def policy() -> Policy:
    found: Policy = import_string(settings.OPTICSHOP_AUDIT_POLICY)
    return found


def ours(model: type[models.Model]) -> bool:
    config = apps.get_app_config(model._meta.app_label)
    return config.name.startswith("opticshop.") or config.label in _ACCESS_APPS


@lru_cache(maxsize=1)
def audited() -> dict[str, Audited]:
    """Audited tables by name."""
    rules = policy()
    found = {}
    for model in apps.get_models(include_auto_created=True):
        options = model._meta
        if options.proxy or not options.managed or not ours(model) or options.app_label == "audit":
            continue
        if options.db_table in rules.left_out:
            continue
        found[options.db_table] = _audited(model, rules)
    return found


def _audited(model: type[models.Model], rules: Policy) -> Audited:
    options = model._meta
    table = options.db_table
    columns = [column for each in options.local_concrete_fields if (column := each.column)]
    plain = _NOT_SECRET | set(rules.plain.get(table, ()))
    hidden = {name for name in columns if SECRET.search(name) and name not in plain}
    hidden |= set(rules.secrets.get(table, ()))
    path = person_path(model)
    hops: tuple[Hop, ...] = ()
    person = None
    if path is not None:
        person, hops = _columns_of(model, path)
    return Audited(
        table=table,
        key=str(options.pk.column),
        secret=tuple(sorted(hidden)),
        counters=rules.counters.get(table, ()),
        hops=hops,
        person=person,
        branch="id" if table == rules.branches else "branch_id" if "branch_id" in columns else None,
    )


def _columns_of(model: type[models.Model], path: tuple[str, ...]) -> tuple[str, tuple[Hop, ...]]:
    if not path:
        return str(model._meta.pk.column), ()
    hops, here = [], model
    for name in path[:-1]:
        step = here._meta.get_field(name)
        there = step.related_model
        assert isinstance(step, models.ForeignKey)
        assert isinstance(there, type)
        hops.append(Hop(str(step.column), there._meta.db_table, str(there._meta.pk.column)))
        here = there
    last = here._meta.get_field(path[-1])
    assert isinstance(last, models.ForeignKey)
    return str(last.column), tuple(hops)


@cache
def person_path(model: type[models.Model]) -> tuple[str, ...] | None:
    """The shortest way over at most four foreign keys to the person; empty for the person; None if there is none."""
    label = policy().subject
    if not label:
        return None
    subject = apps.get_model(label)
    if model is subject:
        return ()
    ways: list[tuple[type[models.Model], tuple[str, ...]]] = [(model, ())]
    for _ in range(4):
        further = []
        for here, way in ways:
            for each in here._meta.local_concrete_fields:
                there: Any = each.related_model
                if not isinstance(each, models.ForeignKey) or there is here:
                    continue
                if there is subject:
                    return (*way, each.name)
                if ours(there):
                    further.append((there, (*way, each.name)))
        ways = further
    return None
