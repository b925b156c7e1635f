"""Outlines of frames: read from trace records, CSV or SVG, measured, compared, and written for an edger. No Django.

Records follow the grammar of the Data Communication Standard as far as it is known here: only its opening pages could
be read, the meaning of its labels is from memory. ``NOT_CERTIFIED`` goes wherever such records come in or go out.
"""
