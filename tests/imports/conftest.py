"""Uploading files through the API, and what became of their rows. All people and goods are invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.test import APIClient

from opticshop.branches.models import Branch
from opticshop.core.duties import run_duty
from opticshop.imports.models import ImportFile, ImportRow

URL, ROWS = "/api/v1/imports/", "/api/v1/import-rows/"
PEOPLE = (
    "Customer No;First name;Surname;DOB;Mobile;Post code;Shoe size\r\n"
    "A-1;Wren;Alder (invented);09/03/1984;020 7946 0018;AB1 2CD;38\r\n"
    "A-2;Zoë;Ó Marsh (invented);01/05/1990;;;\r\n"
)


def csv_of(*rows: str) -> bytes:
    return "\r\n".join(rows).encode()


def sent(client: APIClient, branch: Branch, content: bytes | str, kind: str = "customers", **more: Any) -> Any:
    """The answer to an upload."""
    raw = content.encode() if isinstance(content, str) else content
    body = {"file": SimpleUploadedFile("old.csv", raw), "kind": kind, "branch": str(branch.id), **more}
    return client.post(URL, body, format="multipart")


def done(response: Any, status: int = 200) -> dict[str, Any]:
    assert response.status_code == status, response.content
    return response.json()


def refused(response: Any, status: int, code: str) -> dict[str, Any]:
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["code"] == code, response.content
    return response.json()


@pytest.fixture
def uploaded(api: Callable[..., APIClient], head_office: Any, mill: Branch) -> Callable[..., dict[str, Any]]:
    """``uploaded(content, kind, ...)``: a file that head office has uploaded for the first branch."""

    def upload(content: bytes | str, kind: str = "customers", **more: Any) -> dict[str, Any]:
        return done(sent(api(head_office), mill, content, kind, **more), 201)

    return upload


@pytest.fixture
def ran(
    api: Callable[..., APIClient], head_office: Any, uploaded: Callable[..., dict[str, Any]]
) -> Callable[..., dict[str, Any]]:
    """``ran(content, kind, ...)``: a file that has run to its end."""

    def run(content: bytes | str, kind: str = "customers", **more: Any) -> dict[str, Any]:
        file = uploaded(content, kind, **more)
        done(api(head_office).post(f"{URL}{file['id']}/run/", {}))
        run_duty("imports.apply")
        return done(api(head_office).get(f"{URL}{file['id']}/"))

    return run


def rows() -> list[ImportRow]:
    return list(ImportRow.objects.everywhere("test").order_by("file", "number"))


def codes() -> list[str]:
    """What is said of the rows that were not taken over."""
    return [problem["code"] for row in rows() for problem in row.problems]


def files() -> list[ImportFile]:
    return list(ImportFile.objects.everywhere("test").order_by("id"))
