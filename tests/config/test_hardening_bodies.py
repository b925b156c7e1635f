"""Bodies that are too large, packed, nested, repeated or of impossible numbers. RFC 8259 (JSON), RFC 9110 (HTTP)."""

from __future__ import annotations

import io
import json
import zlib

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from opticshop.core import parsers
from opticshop.exchange.media import FhirParser
from opticshop.quality import photographs
from tests.config.test_config_problems import assert_problem

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/"


def post(client, body, content_type="application/json", **headers):
    return client.generic("POST", URL, body, content_type=content_type, headers=headers)


def person(mill, **more):
    return {"branch": str(mill.id), "given_name": "Wren", "family_name": "Alder", **more}


def test_a_body_larger_than_anything_here_is_refused_unread(settings):
    class Unread(io.BytesIO):
        def read(self, *args):
            raise AssertionError("it was read")

    length = str(settings.OPTICSHOP_BODY_BYTES + 1)
    for path, kind in (("/sign-in/", "multipart/form-data; boundary=x"), (URL, "application/json")):
        said = {"CONTENT_LENGTH": length, "wsgi.input": Unread()}
        response = Client().generic("POST", path, b"{}", content_type=kind, **said)
        assert response.status_code == 413, path


def test_json_of_too_many_bytes_is_refused_by_its_bytes_not_by_what_is_said_of_them(api, clerk, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    assert_problem(post(api(clerk), b'{"note": "' + b"x" * 1000 + b'"}'), 413)


def test_json_of_too_many_values_is_refused_before_it_is_parsed(api, clerk, monkeypatch):
    monkeypatch.setattr(parsers.BoundedJSONParser, "read", lambda *args: pytest.fail("it was parsed"))
    for body in (b"[" + b"{}," * parsers.MOST_VALUES + b"{}]", b"[" * (parsers.MOST_VALUES + 1)):
        assert_problem(post(api(clerk), body), 400)


@pytest.mark.parametrize(
    "number", ["1e999999", "-1e400", "9" * 5000, "9223372036854775808", "1." + "0" * 5000, "NaN", "-Infinity"]
)
def test_numbers_that_no_column_holds_are_refused(api, clerk, mill, number):
    for body in ('{"branch": "%s", "x": %s}', '{"x": [%s, {"y": "%s"}]}'):
        words = (mill.id, number) if body.startswith('{"b') else (number, mill.id)
        assert "JSON parse error" in assert_problem(post(api(clerk), body % words), 400)["detail"]


@pytest.mark.parametrize("number", ["1e999999", "1E-999999999999999999999", "0." + "1" * 5000, "9" * 5000])
def test_numbers_of_fhir_keep_their_digits_but_not_any_number_of_them(number):
    """A Decimal takes an exponent of eighteen digits, and is written out in full later."""
    assert str(FhirParser().read('{"sphere": -2.00}')["sphere"]) == "-2.00"
    with pytest.raises(ValueError, match=r"number|exponent"):
        FhirParser().read(f'{{"sphere": {number}}}')


def test_a_name_that_stands_twice_is_refused(api, clerk, mill):
    text = json.dumps(person(mill))[:-1] + ', "family_name": "Birch"}'
    assert "twice" in assert_problem(post(api(clerk), text), 400)["detail"]


@pytest.mark.parametrize("charset", ["zlib", "bz2", "base64", "hex", "punycode", "idna", "utf-7", "utf-16", "rot13"])
def test_an_encoding_that_unpacks_or_costs_is_refused(api, clerk, mill, charset):
    """Python's codecs of bytes to bytes are found by ``codecs.lookup`` too: 10 kB of zlib would become 10 MB."""
    packed = zlib.compress(json.dumps(person(mill)).encode())
    assert_problem(post(api(clerk), packed, f"application/json; charset={charset}"), 415)
    assert Client().get("/?a=%ff", content_type=f"text/plain; charset={charset}").status_code in {200, 415}


@pytest.mark.parametrize("charset", ["utf-8", "UTF8", "us-ascii", '"utf-8"', "no-such-encoding"])
def test_json_is_utf_8_whatever_it_is_called(api, clerk, mill, charset):
    assert post(api(clerk), json.dumps(person(mill)), f"application/json; charset={charset}").status_code == 201
    assert_problem(post(api(clerk), '{"given_name": "Zoë"}'.encode("latin-1")), 400)


def test_a_compressed_body_is_refused(api, clerk):
    response = post(api(clerk), zlib.compress(b"{}"), **{"Content-Encoding": "gzip"})
    assert_problem(response, 415)
    assert response["Accept-Encoding"] == "identity"


def test_what_is_wrong_is_told_in_an_answer_smaller_than_the_request(api, clerk, mill):
    body = json.dumps({**person(mill), **{f"unknown{n:05}": None for n in range(20_000)}, "y" * 10_000: None})
    answer = post(api(clerk), body)
    assert_problem(answer, 400)
    assert len(answer.content) < len(body) / 10
    many = {"rows": [None] * 2_000}
    answer = api(clerk).post("/api/v1/calculators/spherical-equivalent/batch/", many)
    assert len(answer.content) < 1_000_000


@pytest.mark.parametrize("url", ["/api/v1/imports/", "/api/v1/inspection-photographs/"])
def test_a_file_that_is_said_to_be_too_large_is_refused_before_it_is_laid_down(api, manager, mill, url, settings):
    settings.OPTICSHOP_IMPORT_BYTES = 1000
    size = (1000 if "imports" in url else photographs.MAX_BYTES) + parsers.FORM_BYTES
    form = {"file": SimpleUploadedFile("a.csv", b"x" * 10), "branch": str(mill.id), "kind": "customers"}
    settings.FILE_UPLOAD_HANDLERS = ["tests.config.test_hardening_bodies.NobodyLaysDown"]
    response = api(manager).post(url, form, format="multipart", CONTENT_LENGTH=str(size + 1))
    assert_problem(response, 413)


class NobodyLaysDown:
    chunk_size = 1

    def __init__(self, *args):
        raise AssertionError("the file was begun to be read")
