"""Outlines of frames: read from trace records, CSV or SVG, measured, compared, and written for an edger. No Django.

Records follow the grammar of the Data Communication Standard as far as it is known here: only its opening pages could
be read, the meaning of its labels is from memory. ``NOT_CERTIFIED`` goes wherever such records come in or go out.

``read_trace``, ``read_csv_outlines`` and ``read_svg_outlines`` give a ``Trace``; ``notes_of`` says what to
look at in it.
Points are millimetres from the boxed centre, seen from the front, x to the viewer's right and y up (TABO angles).
Whatever cannot be read raises ``TraceError`` with line, label and reason, and nothing else.
"""

from .comparing import (
    LIMITS,
    Difference,
    FrameSizes,
    Limit,
    MirrorDifference,
    beside_each_other,
    beside_file,
    beside_frame,
    mirror_difference,
    notes_of,
)
from .csv_outlines import read_csv_outlines
from .edger_records import EdgerEye, EdgerJob, edger_records
from .edging import (
    Bevel,
    BlockPosition,
    EdgeNote,
    EdgePoint,
    bevel_for,
    block_positions,
    edge_points,
    front_curve_dpt,
    mount_notes,
)
from .errors import Problem, TraceError
from .records import LARGEST_FILE_BYTES, NOT_CERTIFIED, Missing, Record, Records, read_records, write_records
from .shapes import Measures, Note, Shape, Trace
from .svg_outlines import read_svg_outlines
from .trace_records import read_trace, trace_of

__all__ = [
    "LARGEST_FILE_BYTES",
    "LIMITS",
    "NOT_CERTIFIED",
    "Bevel",
    "BlockPosition",
    "Difference",
    "EdgeNote",
    "EdgePoint",
    "EdgerEye",
    "EdgerJob",
    "FrameSizes",
    "Limit",
    "Measures",
    "MirrorDifference",
    "Missing",
    "Note",
    "Problem",
    "Record",
    "Records",
    "Shape",
    "Trace",
    "TraceError",
    "beside_each_other",
    "beside_file",
    "beside_frame",
    "bevel_for",
    "block_positions",
    "edge_points",
    "edger_records",
    "front_curve_dpt",
    "mirror_difference",
    "mount_notes",
    "notes_of",
    "read_csv_outlines",
    "read_records",
    "read_svg_outlines",
    "read_trace",
    "trace_of",
    "write_records",
]
