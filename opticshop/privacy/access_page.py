"""The data of a copy as one page that anybody can read in a browser, without a program that knows JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from typing import Any

from .access_data import DataFile

_HEAD = """<!doctype html><html lang="en"><meta charset="utf-8"><title>What is kept about you</title>
<style>body{font:16px/1.4 sans-serif;max-width:60em;margin:2em auto;padding:0 1em}table{border-collapse:collapse;
margin:0 0 1.5em}th,td{border:1px solid #bbb;padding:.2em .6em;text-align:left;vertical-align:top;
overflow-wrap:anywhere}th{font-weight:normal;background:#f2f2f2;min-width:11em}</style>
<h1>What is kept about you</h1><p>The same as in the folder data/, without what is empty. Moments are in UTC.</p>
"""
#: Keys of rows and counters: they join the files of data/, and tell a reader nothing.
_PLUMBING = frozenset({"id", "version"})


def data_page(files: Iterable[DataFile]) -> str:
    """One table for each record, in the order of the files."""
    return _HEAD + "".join(piece for file in files for piece in _section(file)) + "</html>\n"


def _section(file: DataFile) -> Iterator[str]:
    title = file.name.rsplit("/", 1)[-1].removesuffix(".json").replace("-", " ")
    yield f"<h2>{escape(title.capitalize())}</h2><p>{escape(file.what)}</p>\n"
    for row in file.rows:
        told = [
            (name, value) for name, value in row.items() if name not in _PLUMBING and value not in (None, "", [], {})
        ]
        yield "<table>" + "".join(_line(name, value) for name, value in told) + "</table>\n"


def _line(name: str, value: Any) -> str:
    return f"<tr><th>{escape(name.replace('_', ' '))}</th><td>{_words(value)}</td></tr>"


def _words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return "<br>".join(f"{escape(str(name).replace('_', ' '))}: {_words(each)}" for name, each in value.items())
    if isinstance(value, list | tuple):
        return "<br>".join(_words(each) for each in value)
    return escape(str(value)).replace("\n", "<br>")
