"""Photographs as they arrive and as they are kept: sniffed, bounded, drawn anew without what cameras write into them.

Only what Pillow itself recognises as JPEG, PNG or WebP is taken, whatever the name or the stated type says. The pixels
are counted before they are unpacked, so that a small file cannot fill the memory. The picture is turned upright and
encoded again: place, time, device and anything hidden behind the picture are gone. Only the first picture of an
animation is kept.
"""

from __future__ import annotations

import hashlib
import io
import os
import uuid
import warnings
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from PIL import Image, ImageOps, UnidentifiedImageError

from opticshop.core.errors import Invalid

MAX_BYTES = 8 * 1024 * 1024
MAX_PIXELS = 40_000_000
_KEPT_AS = {"JPEG": ("image/jpeg", "jpg"), "PNG": ("image/png", "png"), "WEBP": ("image/webp", "webp")}
EXTENSIONS = dict(_KEPT_AS.values())


class PhotographTooLarge(Invalid):
    """The file has more bytes, or the picture more pixels, than are kept; says how many."""

    code = "quality.photograph_too_large"
    title = "This photograph is too large"


class NotAPhotograph(Invalid):
    """The content is no JPEG, PNG or WebP picture, or it is damaged. The name of the file plays no part."""

    code = "quality.not_a_photograph"
    title = "This is no photograph that can be kept"


@dataclass(frozen=True, slots=True)
class Cleaned:
    content: bytes
    content_type: str
    width_px: int
    height_px: int

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


def cleaned(data: bytes) -> Cleaned:
    """The picture encoded anew. Raises PhotographTooLarge, NotAPhotograph."""
    if len(data) > MAX_BYTES:
        raise too_many_bytes(len(data))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # the pixels are counted below
            picture = Image.open(io.BytesIO(data), formats=list(_KEPT_AS))
        if picture.width * picture.height > MAX_PIXELS:
            raise PhotographTooLarge(
                f"{picture.width} x {picture.height} pixels.", field="file", allowed=f"{MAX_PIXELS} pixels in all"
            )
        kind = str(picture.format)
        upright = ImageOps.exif_transpose(picture)
        mode = "RGBA" if "A" in upright.getbands() and kind != "JPEG" else "RGB"
        plain = upright if upright.mode == mode else upright.convert(mode)
        del picture, upright  # a large one takes 160 MB each time it is held
    except Image.DecompressionBombError as error:
        raise PhotographTooLarge("More pixels than a photograph has.", field="file") from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise NotAPhotograph(field="file", allowed=sorted(EXTENSIONS)) from error
    plain.info.clear()
    out = io.BytesIO()
    plain.save(out, kind, **({} if kind == "PNG" else {"quality": 88}))
    return Cleaned(out.getvalue(), _KEPT_AS[kind][0], plain.width, plain.height)


def too_many_bytes(size: int) -> PhotographTooLarge:
    return PhotographTooLarge(f"{size} bytes.", field="file", allowed=f"{MAX_BYTES} bytes")


def path_of(branch_id: uuid.UUID, photograph_id: uuid.UUID, content_type: str) -> Path:
    """Where a photograph lies: named by ids, never by what somebody called it."""
    name = f"{photograph_id}.{EXTENSIONS[content_type]}"
    return Path(settings.MEDIA_ROOT) / "inspection-photographs" / str(branch_id) / name


def store(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    beside = path.with_suffix(path.suffix + ".part")
    with open(beside, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
