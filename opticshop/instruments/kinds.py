"""The words of this app: kinds of instruments, what is checked on them, and the states they can be in."""

from __future__ import annotations

from django.db import models


class InstrumentKind(models.TextChoices):
    FOCIMETER = "focimeter", "Focimeter"
    PUPILMETER = "pupilmeter", "Pupilmeter"
    RULER = "ruler", "Ruler"
    THICKNESS_GAUGE = "thickness_gauge", "Thickness gauge"
    LENS_CLOCK = "lens_clock", "Lens clock (sagitta gauge)"
    TRACER = "tracer", "Frame tracer"
    EDGER = "edger", "Edger"
    GROOVER = "groover", "Groover"
    HEATER = "heater", "Frame heater"
    TINT_BATH = "tint_bath", "Tint bath"
    OTHER = "other", "Other"


class Quantity(models.TextChoices):
    """What a check piece embodies. The unit is the end of the name."""

    ZERO_DPT = "zero_dpt", "Zero reading, no lens"
    POWER_DPT = "power_dpt", "Vertex power of a test lens"
    PRISM_DPT = "prism_dpt", "Prism of a test prism"
    AXIS_DEG = "axis_deg", "Axis of a marked test lens"
    LENGTH_MM = "length_mm", "Length, distance or size"
    THICKNESS_MM = "thickness_mm", "Thickness"
    CURVE_DPT = "curve_dpt", "Surface power on a surface of known curve"
    TEMPERATURE_C = "temperature_c", "Temperature"


class CalibrationState(models.TextChoices):
    IN_CALIBRATION = "in_calibration", "In calibration"
    DUE = "due", "Due for a check"
    OVERDUE = "overdue", "Overdue, or never checked"
    FAILED = "failed", "Failed its last check"
    OUT_OF_SERVICE = "out_of_service", "Out of service"


class OutOfCalibration(models.TextChoices):
    FLAG = "flag", "Use it, and say so in the record"
    BLOCK = "block", "Refuse to record anything measured with it"
