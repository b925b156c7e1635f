"""Choosing among materials: the same prescription in the same shape, made in each of the given materials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ._numeric import scalar
from .chromatic import transverse_chromatic_pdpt
from .errors import OpticsError, OutOfRange
from .materials import Material
from .outline import Outline
from .prentice import prism_at
from .prism import NO_PRISM, Prism
from .sphero_cylinder import SpheroCylinder
from .surfaces import TOOL_INDEX, true_surface_power_dpt
from .thickness import MeniscusLens, edge_profile, lens_for_outline
from .weight import shaped_volume_mm3, weight_g


@dataclass(frozen=True, slots=True)
class MaterialChoice:
    """A material and the lens it makes. Ranks are 1 for the best; equal values share a rank.

    `chromatic_pdpt` is the transverse chromatic aberration to the side of the optical centre.
    """

    material: Material
    lens: MeniscusLens
    thinnest_edge_mm: float
    thickest_edge_mm: float
    weight_g: float
    chromatic_pdpt: float
    thickness_rank: int = 1
    weight_rank: int = 1
    abbe_rank: int = 1

    @property
    def thickest_mm(self) -> float:
        """What the wearer sees: the greater of the thickest edge and the centre."""
        return max(self.thickest_edge_mm, self.lens.centre_thickness_mm)


@dataclass(frozen=True, slots=True)
class MaterialRanking:
    """The choices, thinnest first (then lighter, then higher Abbe), and the materials in which no lens exists."""

    choices: tuple[MaterialChoice, ...]
    impossible: tuple[tuple[Material, OpticsError], ...]


def rank_materials(
    power: SpheroCylinder,
    outline: Outline,
    materials: Sequence[Material],
    *,
    base_curve_dpt: float,
    minimum_centre_mm: float,
    minimum_edge_mm: float,
    centre_x_mm: float = 0.0,
    centre_y_mm: float = 0.0,
    prism: Prism = NO_PRISM,
    gaze_mm: float = 10.0,
    clock_index: float = TOOL_INDEX,
) -> MaterialRanking:
    """Rank materials for one lens by thickness, weight and Abbe number.

    The front is one marked base curve for all (`base_curve_dpt` for `clock_index`), so that materials are
    compared and not forms. `gaze_mm` is where the chromatic aberration is taken, sideways from the optical
    centre.
    """
    if not materials:
        raise OutOfRange("at least one material is required", field="materials")
    centre = {"centre_x_mm": scalar(centre_x_mm, "centre_x_mm"), "centre_y_mm": scalar(centre_y_mm, "centre_y_mm")}
    sideways = prism_at(power, scalar(gaze_mm, "gaze_mm", 0.0, 50.0), 0.0).magnitude_pdpt
    choices: list[MaterialChoice] = []
    impossible: list[tuple[Material, OpticsError]] = []
    for material in materials:
        try:
            lens = lens_for_outline(
                power,
                outline,
                front_power_dpt=true_surface_power_dpt(base_curve_dpt, material.index, clock_index),
                index=material.index,
                minimum_centre_mm=minimum_centre_mm,
                minimum_edge_mm=minimum_edge_mm,
                prism=prism,
                **centre,
            )
            edge = edge_profile(lens, outline, **centre)
            volume = shaped_volume_mm3(lens, outline, **centre)
        except OpticsError as error:
            impossible.append((material, error))
            continue
        choices.append(
            MaterialChoice(
                material=material,
                lens=lens,
                thinnest_edge_mm=edge.thinnest_mm,
                thickest_edge_mm=edge.thickest_mm,
                weight_g=weight_g(volume, material.density_g_cm3),
                chromatic_pdpt=transverse_chromatic_pdpt(sideways, material.abbe),
            )
        )
    ranked = [
        replace(
            choice,
            thickness_rank=1 + sum(other.thickest_mm < choice.thickest_mm for other in choices),
            weight_rank=1 + sum(other.weight_g < choice.weight_g for other in choices),
            abbe_rank=1 + sum(other.material.abbe > choice.material.abbe for other in choices),
        )
        for choice in choices
    ]
    ranked.sort(key=lambda choice: (choice.thickness_rank, choice.weight_rank, choice.abbe_rank))
    return MaterialRanking(tuple(ranked), tuple(impossible))
