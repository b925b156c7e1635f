"""The FHIR bases ``/fhir/r4/`` and ``/fhir/r5/``: thin views with FHIR's own media type, errors and search rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, ClassVar

from django.conf import settings
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from opticshop.core import acting
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.requests import actor_of
from opticshop.customers.permissions import CustomerPermission
from opticshop.prescriptions.permissions import PrescriptionPermission

from . import exporting, selectors, services
from .capability import capability_statement
from .issues import Issue, operation_outcome
from .media import FhirNegotiation, FhirParser, FhirRenderer, JsonRenderer, PlainJsonParser
from .messages import Message, message_of_bundle, message_of_one
from .outcomes import outcome_for
from .permissions import ExchangePermission
from .searching import PARAMETERS, address, prefers, search_from, uuid_from
from .services import TakenIn
from .vocabulary import PATIENT, PRACTITIONER, R4, VISION_PRESCRIPTION, Release

#: /api/v1/ has no resource of this app; FHIR has its own base.
routes: list[tuple[str, Any]] = []

#: Whoever takes in must see who is known already, or a person would be registered twice.
_TAKES_IN = (ExchangePermission.ADMIT, PrescriptionPermission.RECORD, CustomerPermission.VIEW)


class HoldsAllDeclared(BasePermission):
    """The actor holds every permission that the view declares for this method, each in at least one branch."""

    def has_permission(self, request: Request, view: Any) -> bool:
        wanted = view.permissions.get("GET" if request.method == "HEAD" else request.method)
        for permission in wanted or ():
            actor_of(request).require_confirmed(permission)
        return wanted is not None and all(actor_of(request).may(permission) for permission in wanted)


class FhirView(APIView):
    #: method -> permissions, all of which are needed. A method that is not declared is refused.
    permissions: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    release: Release = R4

    schema = None  # documented by openapi.exchange_documented
    permission_classes = [HoldsAllDeclared]
    renderer_classes = [FhirRenderer, JsonRenderer]
    parser_classes = [FhirParser, PlainJsonParser]
    content_negotiation_class = FhirNegotiation
    http_method_names = ["get", "head", "post"]

    @property
    def actor(self) -> Actor:
        return actor_of(self.request)

    @property
    def base(self) -> str:
        return str(self.request.build_absolute_uri(f"/fhir/{self.release.slug}"))

    def get_exception_handler(self) -> Callable[..., Response]:
        return outcome_for

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        if request.method not in {"GET", "HEAD", "POST"} or not hasattr(self, (request.method or "").lower()):
            self.http_method_not_allowed(request)
        super().initial(request, *args, **kwargs)

    def read_body(self) -> Any:
        """The parsed body, no larger than DATA_UPLOAD_MAX_MEMORY_SIZE."""
        _ = self.request._request.body
        return self.request.data

    def answer(self, resource: dict[str, Any], *, status: int = 200, **headers: str) -> Response:
        """A resource with its version as ETag; If-None-Match is answered 304."""
        version = resource.get("meta", {}).get("versionId")
        if version is not None:
            headers["ETag"] = tag = f'W/"{version}"'
            if self.request.method in {"GET", "HEAD"} and tag in _tags(self.request.headers.get("If-None-Match", "")):
                return Response(status=304, headers=headers)
        return Response(resource, status=status, headers=headers)


class Metadata(FhirView):
    """What this base can do; open to everybody, it holds no data."""

    permission_classes = []

    def get(self, request: Request) -> Response:
        return Response(capability_statement(self.release, self.base, settings.OPTICSHOP_VERSION))


_EXPORTERS: dict[str, Callable[..., dict[str, Any]]] = {
    PATIENT: exporting.patient,
    PRACTITIONER: exporting.practitioner,
    VISION_PRESCRIPTION: exporting.vision_prescription,
}


class _Resources(FhirView):
    """One type of resource and where its rows come from."""

    kind: ClassVar[str]
    selector: ClassVar[Callable[..., Any]]


class _Read(_Resources):
    def get(self, request: Request, key: str) -> Response:
        found = type(self).selector(self.actor).filter(pk=uuid_from(key)).first()
        if found is None:
            raise NotFound(f"There is no {self.kind} {key[:64]} here.")
        acting.saw(type(found), [found])
        return self.answer(_EXPORTERS[self.kind](found))


class _Search(_Resources):
    def get(self, request: Request) -> Response:
        strict = prefers(request.headers.get("Prefer", ""), "handling") == "strict"
        search = search_from(request._request.GET, PARAMETERS[self.kind], strict=strict)
        total, rows, following = search.page(type(self).selector(self.actor))
        if rows:
            acting.saw(type(rows[0]), list(rows))
        path = f"{self.base}/{self.kind}"
        links = [("self", search.used), *([("next", following)] if following else [])]
        entries = [
            {
                "fullUrl": f"{path}/{row.pk}",
                "resource": _EXPORTERS[self.kind](row),
                "search": {"mode": "match"},
            }
            for row in rows
        ]
        if search.ignored:
            entries.append({"resource": operation_outcome(search.ignored), "search": {"mode": "outcome"}})
        bundle: dict[str, Any] = {
            "resourceType": "Bundle",
            "type": "searchset",
            "total": total,
            "link": [{"relation": relation, "url": address(path, used)} for relation, used in links],
        }
        return Response(bundle | ({"entry": entries} if entries else {}))


class _Patients(_Resources):
    kind = PATIENT
    selector = staticmethod(selectors.patients_for)
    permissions = {"GET": (ExchangePermission.VIEW, CustomerPermission.VIEW)}


class _Prescriptions(_Resources):
    kind = VISION_PRESCRIPTION
    selector = staticmethod(selectors.prescriptions_for)
    permissions = {"GET": (ExchangePermission.VIEW, PrescriptionPermission.VIEW), "POST": _TAKES_IN}


class PatientRead(_Patients, _Read):
    """One customer as a Patient."""


class PatientSearch(_Patients, _Search):
    """Customers as Patients."""


class PractitionerRead(_Prescriptions, _Read):
    """The prescriber as recorded on one prescription."""

    kind = PRACTITIONER


class VisionPrescriptionRead(_Prescriptions, _Read):
    """One prescription."""


class VisionPrescriptionSearch(_Prescriptions, _Search):
    """Prescriptions; a POST records one."""

    def post(self, request: Request) -> Response:
        taken = _taken_in(self.actor, message_of_one(self.read_body()))[0]
        resource = _exported(taken)
        headers = {"Location": f"{self.base}/{_location(taken)}"}
        answer = self.answer(resource, status=201 if taken.is_new else 200, **headers)
        wanted = prefers(request.headers.get("Prefer", ""), "return")
        if wanted == "minimal":
            answer.data = None
        elif wanted == "OperationOutcome":
            answer.data = operation_outcome(taken.warnings or [_all_well(taken)])
        return answer


class Base(FhirView):
    """The base itself takes bundles."""

    permissions = {"POST": _TAKES_IN}

    def post(self, request: Request) -> Response:
        taken = _taken_in(self.actor, message_of_bundle(self.read_body()))
        entries = [{"response": _entry_response(one)} for one in taken]
        return Response({"resourceType": "Bundle", "type": "transaction-response", "entry": entries})


class Nowhere(FhirView):
    """Every other address below a base."""

    permission_classes = []

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super(FhirView, self).initial(request, *args, **kwargs)
        raise NotFound("There is nothing at this address; see metadata.")


def _taken_in(actor: Actor, message: Message) -> list[TakenIn]:
    """Done, and read again with all that it is written out with."""
    taken = services.message_take_in(actor=actor, message=message)
    ids = [one.row.pk for one in taken if one.entry.kind != PATIENT]
    shown = selectors.prescriptions_for(
        actor, permission=PrescriptionPermission.RECORD, exchange=ExchangePermission.ADMIT
    ).in_bulk(ids)
    return [replace(one, row=shown.get(one.row.pk, one.row)) for one in taken]


def _location(taken: TakenIn) -> str:
    return f"{taken.entry.kind}/{taken.row.pk}"


def _exported(taken: TakenIn) -> dict[str, Any]:
    return _EXPORTERS[taken.entry.kind](taken.row)


def _entry_response(taken: TakenIn) -> dict[str, Any]:
    resource = _exported(taken)
    found: dict[str, Any] = {
        "status": "201 Created" if taken.is_new else "200 OK",
        "location": _location(taken),
        "etag": f'W/"{resource["meta"]["versionId"]}"',
    }
    if "lastUpdated" in resource["meta"]:
        found["lastModified"] = resource["meta"]["lastUpdated"]
    if taken.warnings:
        found["outcome"] = operation_outcome(taken.warnings)
    return found


def _all_well(taken: TakenIn) -> Issue:
    text = "Recorded." if taken.is_new else "Known already; nothing was written."
    return Issue("informational", text, severity="information")


def _tags(header: str) -> set[str]:
    return {f"W/{tag.removeprefix('W/')}" for tag in (part.strip() for part in header.split(",")) if tag}
