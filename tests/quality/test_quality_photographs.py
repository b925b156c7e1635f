"""Photographs: only pictures, bounded, without metadata, seen by nobody else."""

from __future__ import annotations

import io
import struct
import zlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from opticshop.core.models import OutboxEvent
from opticshop.quality import photographs
from opticshop.quality.models import Inspection, Photograph
from tests.quality.conftest import inspect
from tests.quality.test_quality_drafts import Draft

URL = "/api/v1/inspection-photographs/"
db = pytest.mark.django_db
LEAVES_THE_STATE_ALONE = ("media",)


@pytest.fixture(autouse=True)
def media(tmp_path, settings):
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


def picture(kind="JPEG", size=(40, 30), mode="RGB", **more):
    out = io.BytesIO()
    Image.new(mode, size, "navy").save(out, kind, **more)
    return out.getvalue()


def files(media):
    return [path for path in media.rglob("*") if path.is_file()]


def post(client, data, name="pair.jpg", **more):
    upload = SimpleUploadedFile(name, data, content_type="image/jpeg")
    return client.post(URL, {"file": upload, **more}, format="multipart")


@pytest.fixture
def inspected(glazed):
    return inspect(glazed.client, glazed.job_id).json()["id"]


@db
@pytest.mark.parametrize(
    ("kind", "content_type"), [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")]
)
def test_a_photograph_is_kept_by_its_id_and_served_to_the_branch(
    glazed, inspected, api, clerk, media, kind, content_type
):
    made = post(glazed.client, picture(kind), name="../../etc/passwd.php", inspection=inspected, caption="Left bevel")
    assert made.status_code == 201, made.content
    found = made.json()
    assert (found["content_type"], found["width_px"], found["height_px"]) == (content_type, 40, 30)
    [path] = files(media)
    assert path.stem == found["id"]
    shown = api(clerk).get(f"{URL}{found['id']}/image/", headers={"Accept": "image/*"})
    assert (shown.status_code, shown["Content-Type"]) == (200, content_type)
    assert (shown["X-Content-Type-Options"], shown["Cache-Control"]) == ("nosniff", "private, no-store")
    assert Image.open(io.BytesIO(shown.content)).size == (40, 30)
    [listed] = api(clerk).get(f"/api/v1/inspections/{inspected}/").json()["photographs"]
    assert (listed["id"], listed["caption"], listed["taken_by_name"]) == (found["id"], "Left bevel", "Hand")
    assert OutboxEvent.objects.filter(type="quality.photograph_attached").count() == 1


@db
def test_nobody_else_sees_it(glazed, inspected, api, outsider, bookkeeper, clerk):
    found = post(glazed.client, picture(), inspection=inspected).json()
    for path in ("", "image/"):
        assert api(outsider).get(f"{URL}{found['id']}/{path}").status_code == 404
        assert api(bookkeeper).get(f"{URL}{found['id']}/{path}").status_code == 403
        assert api(None).get(f"{URL}{found['id']}/{path}").status_code == 401
    assert api(outsider).get(URL).json()["results"] == []
    assert post(api(outsider), picture(), inspection=inspected).status_code == 404
    assert post(api(clerk), picture(), inspection=inspected).status_code == 403
    assert Photograph.objects.everywhere("test").count() == 1


@db
def test_photographs_of_a_draft_go_over_to_its_inspection(glazed):
    draft = Draft(glazed.client, glazed.job_id)
    found = post(glazed.client, picture(), draft=draft.read()["id"]).json()
    draft.whole()
    inspection = draft.done("conclude")
    assert [each["id"] for each in inspection["photographs"]] == [found["id"]]


def test_what_the_camera_wrote_into_it_is_gone():
    """EXIF 0x010F maker, 0x8825 GPS (Exif 2.3 tags); orientation 6 is a quarter turn: 40 x 30 becomes 30 x 40."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "Invented camera", 6
    exif.get_ifd(0x8825)[1] = "N"
    data = picture("JPEG", exif=exif, comment=b"at home")
    assert b"Invented camera" in data
    kept = photographs.cleaned(data)
    assert b"Invented camera" not in kept.content
    assert b"at home" not in kept.content
    assert (kept.width_px, kept.height_px) == (30, 40)
    assert not Image.open(io.BytesIO(kept.content)).getexif()


def test_what_is_hidden_behind_the_picture_is_gone():
    kept = photographs.cleaned(picture("PNG") + b"<script>alert(1)</script>")
    assert b"script" not in kept.content


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"no picture",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>",
        b"%PDF-1.7\n",
        picture("GIF"),
        picture("BMP"),
        picture("TIFF"),
        picture("JPEG")[:300],
        picture("PNG")[:60],
    ],
    ids=["empty", "text", "svg", "pdf", "gif", "bmp", "tiff", "half-jpeg", "half-png"],
)
def test_only_whole_pictures_of_three_kinds_are_taken(data):
    with pytest.raises(photographs.NotAPhotograph):
        photographs.cleaned(data)


def test_a_small_file_of_many_pixels_is_refused_before_it_is_unpacked():
    """A PNG header that states 60000 x 60000 pixels over a few bytes of content."""
    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    chunks = [(b"IHDR", header), (b"IDAT", zlib.compress(b"\0" * 100)), (b"IEND", b"")]
    bomb = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)) for name, body in chunks
    )
    with pytest.raises(photographs.PhotographTooLarge):
        photographs.cleaned(bomb)


@db
def test_more_than_eight_megabytes_is_refused(glazed, inspected, media):
    response = post(glazed.client, b"\xff" * (photographs.MAX_BYTES + 1), inspection=inspected)
    assert (response.status_code, response.json()["code"]) == (422, "quality.photograph_too_large")
    assert not files(media)


@db
def test_a_write_that_fails_leaves_no_file_behind(glazed, inspected, media, monkeypatch):
    from opticshop.quality.services import photographs as attaching

    monkeypatch.setattr(attaching, "MOST_PER_JOB", 0)
    response = post(glazed.client, picture(), inspection=inspected)
    assert (response.status_code, response.json()["code"]) == (409, "quality.too_many_photographs")
    assert not files(media)


@db
def test_a_picture_changed_behind_our_back_is_not_served(glazed, inspected, media):
    found = post(glazed.client, picture(), inspection=inspected).json()
    [path] = files(media)
    path.write_bytes(picture(size=(10, 10)))
    assert glazed.client.get(f"{URL}{found['id']}/image/").status_code == 404


@db
@pytest.mark.parametrize("more", [{}, {"draft": "x"}])
def test_a_photograph_is_of_one_inspection(glazed, more):
    assert post(glazed.client, picture(), **more).status_code == 400
    assert not Inspection.objects.everywhere("test").exists()
