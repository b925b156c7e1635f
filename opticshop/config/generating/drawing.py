"""Draws batches of invented people with what is prescribed and measured for them, as columns.

Powers are whole hundredths of a dioptre and lengths whole tenths of a millimetre: Decimal columns take them exactly.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from . import distributions as known
from . import names

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

BATCH = 50_000


@dataclass(frozen=True)
class Eyes:
    """One eye of each person. ``axis_deg`` is 0 where there is no cylinder, else 1 to 180."""

    sphere_hundredths: Ints
    cylinder_hundredths: Ints
    axis_deg: Ints


@dataclass(frozen=True)
class Batch:
    """People in rows 0 to n-1; each column has n entries. ``addition_hundredths`` is 0 where none is prescribed."""

    given_name: NDArray[np.str_]
    family_name: NDArray[np.str_]
    birth_date: NDArray[np.datetime64]
    age: Ints
    right: Eyes
    left: Eyes
    addition_hundredths: Ints
    pd_right_tenths: Ints
    pd_left_tenths: Ints

    def digest(self) -> str:
        """SHA-256 over every column, in order."""
        told = hashlib.sha256()
        for part in (self, self.right, self.left):
            for field in fields(part):
                column = getattr(part, field.name)
                if isinstance(column, np.ndarray):
                    told.update(field.name.encode())
                    told.update(np.ascontiguousarray(column).tobytes())
        return told.hexdigest()


def batches(seed: int, count: int, today: datetime.date, size: int = BATCH) -> Iterator[Batch]:
    """``count`` people in batches of ``size``; a batch depends on the seed, its place and its length alone."""
    for place, start in enumerate(range(0, count, size)):
        rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(place,))))
        yield draw(rng, min(size, count - start), today)


def draw(rng: np.random.Generator, count: int, today: datetime.date) -> Batch:
    """``count`` people as they are on ``today``."""
    # The number of days lived comes first and the age in whole years follows from it, so that both agree.
    lower, upper, share = (np.array(column) for column in zip(*known.AGES.value, strict=True))
    group = rng.choice(len(share), size=count, p=share / share.sum())
    years = rng.uniform(lower[group], upper[group])
    days = np.floor(years * 365.25).astype(np.int64)
    birth = np.datetime64(today, "D") - days
    age = _whole_years(birth, today)

    sphere = _sphere(rng, age)
    right = _eyes(rng, age, sphere)
    left = _eyes(rng, age, sphere + rng.normal(0.0, known.SPHERE_BETWEEN_EYES_DPT.value, count))
    pd_right, pd_left = _pupils(rng, age)
    return Batch(
        given_name=names.given_names(rng, count),
        family_name=names.family_names(rng, count),
        birth_date=birth,
        age=age,
        right=right,
        left=left,
        addition_hundredths=_addition(rng, age),
        pd_right_tenths=pd_right,
        pd_left_tenths=pd_left,
    )


def _whole_years(birth: NDArray[np.datetime64], today: datetime.date) -> Ints:
    months = birth.astype("datetime64[M]")
    month = months.astype(np.int64) % 12 + 1
    day = (birth - months.astype("datetime64[D]")).astype(np.int64) + 1
    year = birth.astype("datetime64[Y]").astype(np.int64) + 1970
    not_yet = (month > today.month) | ((month == today.month) & (day > today.day))
    return today.year - year - not_yet


def _mixture(rng: np.random.Generator, count: int, parts: tuple[tuple[float, float, float], ...]) -> Floats:
    share, mean, deviation = (np.array(column) for column in zip(*parts, strict=True))
    chosen = rng.choice(len(share), size=count, p=share / share.sum())
    return rng.normal(mean[chosen], deviation[chosen])


def _sphere(rng: np.random.Generator, age: Ints) -> Floats:
    drawn = np.zeros(len(age))
    for from_age, parts in known.SPHERE.value:  # a later row overrides an earlier one
        drawn = np.where(age >= from_age, _mixture(rng, len(age), parts), drawn)
    return drawn


def _eyes(rng: np.random.Generator, age: Ints, sphere: Floats) -> Eyes:
    count = len(age)
    step = known.POWER_STEP_DPT.value
    size = step + rng.exponential(known.CYLINDER_BEYOND_DPT.value, count)
    size = np.minimum(size, known.CYLINDER_MOST_DPT.value)
    has_one = rng.random(count) < known.CYLINDER_SHARE.value
    cylinder = np.where(has_one, -_in_steps(size), 0)
    young = _mixture(rng, count, known.AXIS_YOUNG.value)
    old = _mixture(rng, count, known.AXIS_OLD.value)
    axis = np.rint(np.where(age >= known.AXIS_OLD_FROM_AGE.value, old, young)).astype(np.int64) % 180
    axis = np.where(axis == 0, 180, axis)  # written as 180, never 0
    return Eyes(
        sphere_hundredths=_in_steps(np.clip(sphere, *known.SPHERE_LIMITS_DPT.value)),
        cylinder_hundredths=cylinder,
        axis_deg=np.where(cylinder == 0, 0, axis),
    )


def _addition(rng: np.random.Generator, age: Ints) -> Ints:
    at_birth, by_year = known.AMPLITUDE_DPT.value
    least, most = known.ADDITION_LIMITS_DPT.value
    amplitude = np.maximum(at_birth - by_year * age, 0.0)
    needed = 1 / known.NEAR_DISTANCE_M.value - amplitude / 2
    needed = needed + rng.normal(0.0, known.ADDITION_SPREAD_DPT.value, len(age))
    return np.where(needed < least, 0, _in_steps(np.minimum(needed, most)))


def _pupils(rng: np.random.Generator, age: Ints) -> tuple[Ints, Ints]:
    mean, deviation = known.PD_ADULT_MM.value
    ages, means = (np.array(column) for column in zip(*known.PD_CHILD_MM.value, strict=True))
    middle = np.where(age >= ages[-1], mean, np.interp(age, ages, means))
    both = np.clip(rng.normal(middle, deviation), *known.PD_LIMITS_MM.value)
    half = rng.normal(0.0, known.PD_BETWEEN_EYES_MM.value, len(age)) / 2
    right = np.rint((both / 2 + half) * 10).astype(np.int64)
    return right, np.rint(both * 10).astype(np.int64) - right


def _in_steps(power_dpt: Floats) -> Ints:
    """To the nearest step of a power, in whole hundredths of a dioptre."""
    step = known.POWER_STEP_DPT.value
    return np.rint(power_dpt / step).astype(np.int64) * round(step * 100)
