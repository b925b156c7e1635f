"""What is measured at the bench, as forms: the shapes, the services and the verdicts are those of the API.

A form is plain fields whose names are paths into the shape (``right.sphere_dpt``). What the shape or the service
refuses stands at the field it speaks of; what belongs to no field stands above the form. Nothing typed is lost.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError
from opticshop.instruments.models import Instrument
from opticshop.instruments.selectors import instrument_get_for, instruments_visible_to
from opticshop.orders.models import OrderedLens
from opticshop.quality import services as quality
from opticshop.quality.models import Inspection
from opticshop.quality.permissions import QualityPermission
from opticshop.quality.selectors import inspections_visible_to
from opticshop.quality.serializers import InspectionRecordIn, SecondCheckIn
from opticshop.quality.visual import CHECKS, needed_checks
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, JobStep, LensReading, StepKind
from opticshop.workshop.selectors import lenses_to_verify, wanted_state
from opticshop.workshop.serializers import JobResumeIn, LensReadIn

#: Name in the shape -> how it reads, and its unit.
POWERS = {
    "sphere_dpt": ("Sphere", "D"),
    "cylinder_dpt": ("Cylinder", "D"),
    "axis_deg": ("Axis", "°"),
    "addition_dpt": ("Addition", "D"),
    "prism_in_dpt": ("Prism, base in +", "Δ"),
    "prism_up_dpt": ("Prism, base up +", "Δ"),
}
PLACES = {
    "centration_distance_mm": ("Centre from the middle of the bridge", "mm"),
    "centration_height_mm": ("Centre above the lowest tangent", "mm"),
    "segment_height_mm": ("Segment above the lowest tangent", "mm"),
    "centre_thickness_mm": ("Centre thickness", "mm"),
}
PAIR = {
    "centre_distance_mm": ("Between the centres", "mm"),
    "height_difference_mm": ("Right centre above left", "mm"),
}
#: How a parameter of a verdict reads, where its own name does not.
PARAMETERS = {"power_m1": "power, first meridian", "power_m2": "power, second meridian"}
#: Keypads of phones have no minus sign, so only what is never negative asks for one.
UNSIGNED = frozenset({"axis_deg", "addition_dpt", *PLACES, "centre_distance_mm"})
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_LONGEST = 300


class NotAsTheShape(Exception):
    """What was typed does not have the shape; the form says where."""

    def __init__(self, errors: Any) -> None:
        super().__init__()
        self.errors = errors


@dataclass(frozen=True, slots=True)
class Typed:
    """What came with a form that was not accepted: which form, its values, and what is wrong by name of the field."""

    form: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    errors: Mapping[str, str] = field(default_factory=dict)


NOTHING_TYPED = Typed()


@dataclass(frozen=True, slots=True)
class Entry:
    """One field. ``key`` is unique on the page; ``keypad`` is what a phone shows to type with."""

    key: str
    name: str
    label: str
    unit: str
    value: str
    error: str
    keypad: str


@dataclass(frozen=True, slots=True)
class LensForm:
    """The focimeter's reading of one uncut lens. ``errors`` belong to no field."""

    eye: str
    entries: Sequence[Entry]
    instrument: str
    errors: Sequence[str]


@dataclass(frozen=True, slots=True)
class Look:
    """One thing to look at; ``answer`` is "yes", "no" or nothing yet."""

    name: str
    words: str
    is_needed: bool
    answer: str
    note: str
    error: str


@dataclass(frozen=True, slots=True)
class InspectionForm:
    """``parts`` are (name of the fieldset, its fields)."""

    parts: Sequence[tuple[str, Sequence[Entry]]]
    looks: Sequence[Look]
    used: Sequence[str]
    redo: Sequence[tuple[str, str, bool]]
    errors: Sequence[str]


# --- what the page shows ----------------------------------------------------------------------------------------------


def lens_forms(job: Job, coming: JobStep | None, typed: Typed) -> list[LensForm]:
    """One for each lens that is still to be read, while reading is what comes next."""
    if coming is None or coming.kind != StepKind.VERIFY or job.state != wanted_state(coming.kind):
        return []
    lenses = {lens.eye: lens for lens in job.order.lenses.all()}
    return [_lens_form(eye, lenses[eye], typed) for eye in lenses_to_verify(job) if eye in lenses]


def inspection_form(job: Job, coming: JobStep | None, typed: Typed) -> InspectionForm | None:
    """While the final inspection is what comes next, and no second person's word is waited for."""
    if coming is None or coming.kind != StepKind.INSPECT or job.state != wanted_state(coming.kind):
        return None
    mine = typed if typed.form == "inspection" else NOTHING_TYPED
    lenses = sorted(job.order.lenses.all(), key=lambda lens: lens.eye, reverse=True)
    parts = [(f"{lens.eye.capitalize()} lens", _entries(_of_lens(lens), mine, f"{lens.eye}.")) for lens in lenses]
    if len(lenses) == 2:
        parts.append(("The pair", _entries(PAIR, mine, "pair.")))
    needed = {check.name for check in needed_checks(lens.product for lens in lenses)}
    looks = [
        Look(
            name=check.name,
            words=check.words,
            is_needed=check.name in needed,
            answer=mine.values.get(f"visual.{check.name}.ok", ""),
            note=mine.values.get(f"visual.{check.name}.note", ""),
            error=mine.errors.get(f"visual.{check.name}.note", mine.errors.get(f"visual.{check.name}.ok", "")),
        )
        for check in CHECKS
    ]
    chosen = mine.values.get("redo_from", StepKind.VERIFY.value)
    where: Any = InspectionRecordIn().fields["redo_from"]
    shown = {entry.name for _, entries in parts for entry in entries} | {
        f"visual.{look.name}.{part}" for look in looks for part in ("ok", "note")
    }
    return InspectionForm(
        parts=parts,
        looks=looks,
        used=[value for name, value in mine.values.items() if name.startswith("instruments")],
        redo=[(kind, str(words), kind == chosen) for kind, words in where.choices.items()],
        errors=[words for name, words in mine.errors.items() if name not in shown],
    )


def instruments_here(actor: Actor, job: Job) -> list[Instrument]:
    """Those in service at the branch, by name. One query, none who may not see them."""
    found = instruments_visible_to(actor).filter(branch=job.branch, in_service=True)
    return list(found.prefetch_related(None).order_by("name"))


def last_inspection(actor: Actor, job: Job) -> Inspection | None:
    """The latest of the job, where the actor may see inspections. One query."""
    if not actor.may(QualityPermission.VIEW, job.branch_id):
        return None
    found: Inspection | None = (
        inspections_visible_to(actor).prefetch_related(None).filter(job=job).order_by("-id").first()
    )
    return found


def lines_told(verdict: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The lines of a verdict that say something of what was measured."""
    return [
        {**line, "words": PARAMETERS.get(line["parameter"], line["parameter"].replace("_", " "))}
        for line in verdict.get("lines", ())
        if line["outcome"] not in ("not_applicable", "not_measured")
    ]


# --- what a form does -------------------------------------------------------------------------------------------------


def lens_read(actor: Actor, job: Job, given: Mapping[str, str]) -> LensReading:
    """``workshop.services.lens_verify``. Raises NotAsTheShape, and what the service refuses."""
    body = _of_shape(LensReadIn, nested(given))
    eye, key = body.pop("eye"), body.pop("instrument", None)
    return workshop.lens_verify(
        actor=actor,
        job=job,
        eye=eye,
        reading=workshop.Reading(**body),
        instrument=None if key is None else instrument_get_for(actor, key),
    )


def pair_inspect(actor: Actor, job: Job, given: Mapping[str, str]) -> Inspection:
    """``quality.services.inspection_record``. Raises NotAsTheShape, and what the service refuses."""
    body = nested(given)
    looked, used = body.pop("visual", {}), body.pop("instruments", {})
    if not isinstance(looked, dict) or not all(isinstance(each, dict) for each in (used, *looked.values())):
        raise NotAsTheShape({"visual": ["This form does not ask that."]})
    unsaid = {name: {"ok": ["Say whether it is in order."]} for name, seen in looked.items() if not _answered(seen)}
    if unsaid:
        raise NotAsTheShape({"visual": unsaid})
    visual = {name: {**seen, "ok": seen["ok"] == "yes"} for name, seen in looked.items()}
    named = {"job": str(job.id), "visual": visual, "instruments": list(used.values())}
    body = _of_shape(InspectionRecordIn, {**body, **named})
    return quality.inspection_record(
        actor=actor,
        job=job,
        readings={name: body[name] for name in ("right", "left", "pair") if name in body},
        visual=body.get("visual", {}),
        redo_from=body["redo_from"],
        instruments=[instrument_get_for(actor, key) for key in body.get("instruments", ())],
    )


def pair_confirm(actor: Actor, inspection: Inspection, given: Mapping[str, str]) -> Inspection:
    """``quality.services.inspection_confirm``. Raises NotAsTheShape, and what the service refuses."""
    body = _of_shape(SecondCheckIn, {"agrees": given.get("agrees") == "yes", "note": given.get("note", "")})
    return quality.inspection_confirm(actor=actor, inspection=inspection, **body)


def job_put_back(actor: Actor, job: Job, given: Mapping[str, str]) -> Job:
    """``workshop.services.job_resume``. Raises NotAsTheShape, and what the service refuses."""
    return workshop.job_resume(actor=actor, job=job, **_of_shape(JobResumeIn, {"note": given.get("note", "")}))


# --- between what is typed and the shape ------------------------------------------------------------------------------


def typed_in(post: Any) -> dict[str, str]:
    """What was typed, by name; a decimal comma becomes a point, a typographer's minus a hyphen.

    The instruments, of which several may be chosen, are numbered.
    """
    found: dict[str, str] = {}
    for name in post:
        if name == "csrfmiddlewaretoken":
            continue
        values = [_plain(value) for value in post.getlist(name)]
        for place, value in enumerate(values):
            found[name if name != "instruments" else f"instruments.{place}"] = value
    return found


def nested(given: Mapping[str, str]) -> dict[str, Any]:
    """``{"right.axis_deg": "90"}`` as ``{"right": {"axis_deg": "90"}}``, without what was left empty."""
    found: dict[str, Any] = {}
    for path, value in given.items():
        if value == "":
            continue
        *outer, last = path.split(".")[:4]
        inside = found
        for name in outer:
            deeper = inside.setdefault(name, {})
            inside = deeper if isinstance(deeper, dict) else {}
        inside[last] = value
    return found


def refused(form: str, given: Mapping[str, str], refusal: DomainError | NotAsTheShape) -> Typed:
    """The form again, with what is wrong at the fields it speaks of."""
    if isinstance(refusal, NotAsTheShape):
        return Typed(form, given, dict(_flat(refusal.errors)))
    return Typed(form, given, {refusal.field or "": refusal.detail})


def _answered(seen: Mapping[str, Any]) -> bool:
    return seen.get("ok") in ("yes", "no")


def _of_shape(shape: Any, body: Mapping[str, Any]) -> dict[str, Any]:
    serializer = shape(data=dict(body))
    if not serializer.is_valid():
        raise NotAsTheShape(serializer.errors)
    return dict(serializer.validated_data)


def _flat(errors: Any, path: str = "") -> Iterable[tuple[str, str]]:
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            below = path if name == "non_field_errors" else f"{path}.{name}" if path else str(name)
            yield from _flat(inner, below)
    else:
        yield path, " ".join(str(each) for each in errors)


def _plain(value: str) -> str:
    text = value.replace("\x00", "").replace("\u2212", "-").strip()[:_LONGEST]
    return text.replace(",", ".") if _COMMA.fullmatch(text) else text


def _of_lens(lens: OrderedLens) -> dict[str, tuple[str, str]]:
    """What is measured on such a lens in its frame."""
    has_segment = lens.product.kind == "multifocal"
    left_out = {"addition_dpt"} if lens.addition_dpt is None else set()
    left_out.add("centration_height_mm" if has_segment else "segment_height_mm")
    return {name: words for name, words in {**POWERS, **PLACES}.items() if name not in left_out}


def _lens_form(eye: str, lens: OrderedLens, typed: Typed) -> LensForm:
    mine = typed if typed.form == "reading" and typed.values.get("eye") == eye else NOTHING_TYPED
    asked = {name: words for name, words in POWERS.items() if name != "addition_dpt" or lens.addition_dpt is not None}
    entries = _entries(asked, mine, "", key=f"{eye}-")
    return LensForm(
        eye=eye,
        entries=entries,
        instrument=mine.values.get("instrument", ""),
        errors=[words for name, words in mine.errors.items() if name not in asked],
    )


def _entries(asked: Mapping[str, tuple[str, str]], typed: Typed, before: str, key: str = "") -> list[Entry]:
    return [
        Entry(
            key=f"{key}{before}{name}".replace(".", "-"),
            name=f"{before}{name}",
            label=label,
            unit=unit,
            value=typed.values.get(f"{before}{name}", ""),
            error=typed.errors.get(f"{before}{name}", ""),
            keypad="decimal" if name in UNSIGNED else "text",
        )
        for name, (label, unit) in asked.items()
    ]
