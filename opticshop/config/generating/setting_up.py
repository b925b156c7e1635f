"""Makes the invented group that orders are pressed for, through the services: branches, staff, catalogue, supplier.

All names say that they are invented. Codes of branches and of people have one length, so that one stands for another
in a block of bytes (see ``patterns``).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from opticshop.accounts import services as accounts
from opticshop.accounts.access import actor_for
from opticshop.accounts.models import Role, User
from opticshop.branches import services as branches
from opticshop.branches.models import Branch
from opticshop.catalogue import services as catalogue
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor, system
from opticshop.purchasing.models import Offer, Supplier, SupplierPrice

SOURCE = "invented for a generator"
#: Who works in a branch: role, and the word that begins the name.
STAFF: tuple[tuple[str, str], ...] = (("counter", "Counter"), ("workshop", "Workshop"), ("manager", "Manager"))
MOST_BRANCHES = 999
#: As long as an address may be: what is over 2 kB in a row PostgreSQL stores compressed, and receipts then are.
_ADDRESS = (
    "{} Invented House, between the weir and the old mill\nentrance by the yard, second door on the left\n"
    "Lower Nowhere upon the Water (invented)\nfor letters: box 4, Upper Nowhere"
)
#: (jurisdiction, category, percent, from): invented, in the shape of the rules of the jurisdiction.
_RATES = (("GB", "standard", "20.00"), ("GB", "exempt", "0.00"))
#: (word, width, height, bridge, effective diameter in mm, price)
_FRAMES = (
    ("Plover", 48, 36, 18, 50, "79.00"),
    ("Curlew", 50, 38, 18, 53, "95.00"),
    ("Godwit", 52, 38, 17, 55, "120.00"),
    ("Dunlin", 49, 34, 20, 51, "110.00"),
    ("Avocet", 51, 40, 18, 54, "145.00"),
    ("Turnix", 47, 35, 19, 50, "65.00"),
)


@dataclass(frozen=True)
class Shop:
    """A branch with its people, in the order of ``STAFF``."""

    branch: Branch
    people: tuple[User, ...]

    @property
    def actors(self) -> tuple[Actor, ...]:
        return tuple(actor_for(user) for user in self.people)


@dataclass(frozen=True)
class Group:
    """What orders are pressed for; ``finished`` comes out of the drawer, ``special`` and ``varifocal`` are made.

    The stories are told at a branch of their own, ``telling``, which gets no copies.
    """

    telling: Shop
    shops: tuple[Shop, ...]
    frames: tuple[Frame, ...]
    finished: LensProduct
    special: LensProduct
    varifocal: LensProduct
    supplier: Supplier


def code_of(number: int) -> str:
    return f"Z{number:03d}"


def group_make(count: int, opened: dt.date) -> Group:
    """``count`` branches, up to ``MOST_BRANCHES``, and all that they sell, with prices from ``opened`` on."""
    if not 1 <= count <= MOST_BRANCHES:
        raise ValueError(f"1 to {MOST_BRANCHES} branches")
    actor = system("generate")
    for jurisdiction, category, percent in _RATES:
        catalogue.tax_rate_add(
            actor=actor,
            jurisdiction=jurisdiction,
            category=category,
            percent=Decimal(percent),
            valid_from=dt.date(2001, 1, 1),
            source=SOURCE,
            confidence="invented",
        )
    catalogue.service_add(
        actor=actor,
        sku="ZDISP",
        name="Dispensing (invented)",
        price=Decimal("60.00"),
        tax_category="exempt",
        is_dispensing=True,
    )
    frames = tuple(_frame(actor, *row) for row in _FRAMES)
    finished = _lens(actor, "ZSV", "Clear stock", "single_vision", "finished", (-6, 4), 2, "32.50")
    special = _lens(actor, "ZSP", "Clear made", "single_vision", "made_to_order", (-12, 8), 6, "58.00")
    varifocal = _lens(
        actor,
        "ZVA",
        "Varied made",
        "power_variation",
        "made_to_order",
        (-12, 8),
        6,
        "110.00",
        addition_min_dpt=Decimal("0.75"),
        addition_max_dpt=Decimal("3.50"),
        minimum_fitting_height_mm=Decimal(16),
    )
    supplier = Supplier.objects.create(name="Invented Surfacing (invented)", lead_time_days=5)
    for lens, cost in ((special, "17.00"), (varifocal, "38.50")):
        offer = Offer.objects.create(supplier=supplier, lens=lens, is_preferred=True, lead_time_days=4)
        SupplierPrice.objects.create(
            offer=offer, unit_cost=Decimal(cost), currency="GBP", valid_from=opened - dt.timedelta(days=3650)
        )
    shops = tuple(_shop(actor, number) for number in range(1, count + 1))
    return Group(_shop(actor, 0), shops, frames, finished, special, varifocal, supplier)


def _shop(actor: Actor, number: int) -> Shop:
    code = code_of(number)
    branch = branches.branch_open(
        actor=actor,
        code=code,
        name=f"Shop {code} (invented)",
        address=_ADDRESS.format(code),
        tax_number="XX 000 0000 00",
    )
    people = []
    for role, word in STAFF:
        user = accounts.user_register(
            actor=actor,
            username=f"{word.lower()}-{code.lower()}",
            password=None,
            display_name=f"{word} {code} (invented)",
            registration_number=f"D-{code} (invented)" if role == "manager" else "",
        )
        accounts.membership_grant(actor=actor, user=user, role=Role(role), branch=branch)
        people.append(user)
    return Shop(branch, tuple(people))


def _frame(actor: Actor, word: str, width: int, height: int, bridge: int, effective: int, price: str) -> Frame:
    return catalogue.frame_add(
        actor=actor,
        sku=f"ZF-{word.upper()}",
        name=f"{word} {width} (invented)",
        price=Decimal(price),
        material=Frame.Material.ACETATE,
        box_width_mm=Decimal(width),
        box_height_mm=Decimal(height),
        bridge_mm=Decimal(bridge),
        effective_diameter_mm=Decimal(effective),
    ).article


def _lens(
    actor: Actor,
    sku: str,
    name: str,
    kind: str,
    supply: str,
    spheres: tuple[int, int],
    cylinder: int,
    price: str,
    **more: Decimal,
) -> LensProduct:
    least, most = (Decimal(each) for each in spheres)
    surfaces = [
        {
            "sphere_from_dpt": lower,
            "sphere_to_dpt": upper,
            "front_power_dpt": front,
            "centre_thickness_mm": Decimal(2),
            "edge_thickness_mm": Decimal(1),
        }
        for lower, upper, front in (
            (least, Decimal("-2.25"), Decimal("2.50")),
            (Decimal("-2.00"), most, Decimal(5) if most <= 4 else Decimal(9)),
        )
    ]
    return catalogue.lens_add(
        actor=actor,
        surfaces=surfaces,
        sku=sku,
        name=f"{name} (invented)",
        price=Decimal(price),
        kind=kind,
        supply=supply,
        material="Allyl diglycol carbonate",
        index=Decimal("1.498"),
        abbe=Decimal(58),
        density_g_cm3=Decimal("1.32"),
        diameter_mm=Decimal(75),
        usable_diameter_mm=Decimal(73),
        sphere_min_dpt=least,
        sphere_max_dpt=most,
        cylinder_max_dpt=Decimal(cylinder),
        **more,
    ).article
