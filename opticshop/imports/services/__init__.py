"""Writes of imports.

``files`` takes a file in, changes how it is read, and starts, stops or cancels it; ``trying`` is the dry run;
``applying`` takes rows over, each in one transaction with its state; ``rows`` is what the two do with one row.
"""

from __future__ import annotations

from .applying import chunk_apply, imports_apply
from .files import import_amend, import_cancel, import_run, import_upload
from .trying import import_try, tries_due

__all__ = [
    "chunk_apply",
    "import_amend",
    "import_cancel",
    "import_run",
    "import_try",
    "import_upload",
    "imports_apply",
    "tries_due",
]
