"""Every operation of the OpenAPI document with what it needs, read from the route that answers it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

from django.urls import Resolver404, resolve

from opticshop.accounts.access import scope_of
from opticshop.accounts.models import Role
from opticshop.config.access import TABLE
from tests.whole_document import document

METHODS = ("get", "post", "put", "patch", "delete")
ROLES = tuple(str(role) for role in Role)

#: Operations that ask for no permission of the table, and why.
OPEN: dict[str, str] = {
    "me_list": "whoever is signed in may ask who they are; it tells only about themselves",
    "my_password_create": "one's own password; the present one is asked for",
    "my_sign_in_list": "one's own only",
    "my_sign_in_destroy": "one's own only",
    "my_sign_in_end_others": "one's own only",
    "my_pin_list": "one's own",
    "my_pin_create": "one's own; the password is asked for",
    "my_pin_remove": "one's own",
    "my_confirmation_create": "one's own; the password is asked for",
    "operator_change": "only with the token of a till, by name and PIN",
    "channel_callback": "a carrier calls; its channel checks the signature of the call",
    "fhir_r4_metadata": "what the base can do; it holds no data (FHIR, RESTful API, capabilities)",
    "fhir_r5_metadata": "what the base can do; it holds no data (FHIR, RESTful API, capabilities)",
}
#: Of those, the ones that nobody needs to sign in for.
WITHOUT_SIGNING_IN = {"channel_callback", "fhir_r4_metadata", "fhir_r5_metadata"}

_PLACE = re.compile(r"{(\w+)}")
_ANY_ID = "00000000-0000-7000-8000-000000000000"


@dataclass(frozen=True)
class Operation:
    id: str
    method: str
    path: str
    details: Mapping[str, Any] = field(repr=False, compare=False)

    @cached_property
    def places(self) -> tuple[str, ...]:
        """Names of the path's parameters."""
        return tuple(_PLACE.findall(self.path))

    def at(self, values: Mapping[str, Any]) -> str:
        return _PLACE.sub(lambda found: str(values[found[1]]), self.path)

    @cached_property
    def view(self) -> type[Any]:
        return self._route[0]

    @cached_property
    def action(self) -> str:
        return self._route[1]

    @cached_property
    def _route(self) -> tuple[type[Any], str]:
        for any_id in (_ANY_ID, "1", "a_word"):
            sample = {place: PLAIN_PLACES.get(place, any_id) for place in self.places}
            try:
                answered_by = resolve(self.at(sample)).func
            except Resolver404:
                continue
            view = getattr(answered_by, "cls", None) or answered_by.view_class
            return view, getattr(answered_by, "actions", {}).get(self.method.lower(), self.method)
        raise LookupError("no route answers it")

    @cached_property
    def permissions(self) -> tuple[str, ...] | None:
        """What is needed, all of it; None where the route declares nothing."""
        wanted = getattr(self.view, "permissions", {}).get(self.action)
        if wanted is None:
            return None
        return tuple(map(str, wanted)) if isinstance(wanted, tuple) else (str(wanted),)

    def roles(self) -> frozenset[str]:
        return self._roles

    @cached_property
    def _roles(self) -> frozenset[str]:
        """The roles that may, by the table."""
        granted = {str(permission): set(roles) for permission, roles in TABLE.items()} | {"signed-in": set(ROLES)}
        return frozenset(set(ROLES).intersection(*(granted[name] for name in self.permissions or ())))

    def scopes(self) -> set[str]:
        return {scope_of(name) for name in self.permissions or ()}

    @property
    def is_open(self) -> bool:
        return self.id in OPEN

    @cached_property
    def body(self) -> tuple[str | None, Any]:
        """The media type and the first example of the request."""
        for media, content in self.details.get("requestBody", {}).get("content", {}).items():
            examples = [each["value"] for each in content.get("examples", {}).values()]
            return media, (examples[0] if examples else {})
        return None, None

    @cached_property
    def queries(self) -> dict[str, Mapping[str, Any]]:
        return {p["name"]: p["schema"] for p in self.details.get("parameters", ()) if p["in"] == "query"}


#: Values of path parameters that are not keys.
PLAIN_PLACES = {
    "name": "opticshop-standard-recalls",
    "key": "iso-21987-2017",
    "code": "T1",
    "kind": "verify",
    "channel": "none",
    "branch": "NONE",
}


def operations(of: Mapping[str, Any] | None = None) -> list[Operation]:
    return list(_in(of)) if of else _whole()


@lru_cache(maxsize=1)
def _whole() -> list[Operation]:
    return list(_in(document()))


def _in(given: Mapping[str, Any]) -> Iterator[Operation]:
    for path, item in given["paths"].items():
        for method in METHODS:
            if method in item:
                yield Operation(item[method]["operationId"], method.upper(), path, item[method])


def gaps(of: Mapping[str, Any] | None = None) -> list[str]:
    """Operations that the table does not cover."""
    known, found, seen = {str(permission) for permission in TABLE}, [], set()
    for operation in operations(of):
        seen.add(operation.id)
        if operation.is_open:
            continue
        try:
            wanted = operation.permissions
        except LookupError as error:
            found.append(f"{operation.method} {operation.path}: {error}")
            continue
        if not wanted:
            found.append(f"{operation.method} {operation.path}: the route declares no permission")
        elif strange := set(wanted) - known:
            found.append(f"{operation.method} {operation.path}: {', '.join(sorted(strange))} not in the table")
        elif not operation.roles():
            found.append(f"{operation.method} {operation.path}: no role holds all of {', '.join(wanted)}")
    if of is None:
        found += [f"{name}: listed as open, but not in the document" for name in sorted(set(OPEN) - seen)]
    return found
