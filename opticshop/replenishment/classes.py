"""Which items matter: ABC classes by the value that moves. Pure computation.

The shares are the usual ones (80 % of the value A, the next 15 % B, the rest C): common practice, no source.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from decimal import Decimal
from typing import Literal, TypeVar

Class = Literal["A", "B", "C", "D"]
Key = TypeVar("Key", bound=Hashable)

A_SHARE, B_SHARE = Decimal("0.80"), Decimal("0.95")


def abc_classes(
    moved_value: Mapping[Key, Decimal], *, a_share: Decimal = A_SHARE, b_share: Decimal = B_SHARE
) -> dict[Key, Class]:
    """The class of each item: by falling value, A until ``a_share`` of all value, B until ``b_share``, then C.

    The item with which a share is reached still belongs to that class. What did not move is D. Equal values keep
    the order of the mapping. Raises ValueError unless 0 < a_share <= b_share <= 1.
    """
    if not 0 < a_share <= b_share <= 1:
        raise ValueError("the shares rise from above 0 to at most 1")
    total = sum(moved_value.values(), Decimal(0))
    classes: dict[Key, Class] = {}
    reached = Decimal(0)
    for key in sorted(moved_value, key=lambda key: -moved_value[key]):
        value = moved_value[key]
        if value <= 0:
            classes[key] = "D"
        elif reached < a_share * total:
            classes[key] = "A"
        elif reached < b_share * total:
            classes[key] = "B"
        else:
            classes[key] = "C"
        reached += value
    return classes
