"""May this instrument be used for what is being recorded now? Asked by the bench and by the final inspection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from opticshop.branches.models import Branch
from opticshop.core.errors import Conflict, Invalid

from .. import selectors
from ..kinds import CalibrationState, OutOfCalibration
from ..models import Instrument


class InstrumentElsewhere(Invalid):
    """The instrument belongs to another branch than the work it is said to have measured."""

    code = "instruments.elsewhere"
    title = "This instrument is at another branch"


class InstrumentOutOfService(Conflict):
    """An instrument that was taken out of service is not measured with, whatever the branch's policy."""

    code = "instruments.out_of_service"
    title = "This instrument is out of service"


class InstrumentOutOfCalibration(Conflict):
    """The instrument is overdue or failed its last check, and the branch has chosen to refuse such instruments."""

    code = "instruments.out_of_calibration"
    title = "This instrument is out of calibration"


@dataclass(frozen=True, slots=True)
class Usability:
    """``flag``: it may be used and the record must carry the reason; ``ok``: nothing to say (the reason is empty)."""

    verdict: Literal["ok", "flag"]
    reason: str = ""
    state: str = CalibrationState.IN_CALIBRATION

    @property
    def is_flagged(self) -> bool:
        return self.verdict == "flag"


def require_usable(*, branch: Branch, instrument: Instrument) -> Usability:
    """Whether a branch may record what was measured with an instrument, by its policy. At most two queries.

    Raises InstrumentElsewhere, InstrumentOutOfService, and InstrumentOutOfCalibration where the policy is to block.
    """
    if instrument.branch_id != branch.id:
        raise InstrumentElsewhere(f"{instrument} is not at {branch.code}.", field="instrument")
    found = selectors.calibration_of(instrument)
    if found.state == CalibrationState.OUT_OF_SERVICE:
        raise InstrumentOutOfService(found.reason, field="instrument")
    if found.is_good:
        return Usability("ok", state=found.state)
    if selectors.policy_of(branch).out_of_calibration == OutOfCalibration.BLOCK:
        raise InstrumentOutOfCalibration(
            found.reason, field="instrument", allowed="an instrument in calibration, or a good check of this one first"
        )
    return Usability("flag", found.reason, found.state)
