"""What can be wrong with values, vouchers and claims of a public scheme."""

from __future__ import annotations

from opticshop.core.errors import Conflict, Invalid


class SchemeUnknown(Invalid):
    """No such scheme, or the scheme does not know this nation, band, supplement, ground or kind of evidence."""

    code = "prices.scheme_unknown"
    title = "The scheme does not know this"


class PrescriptionOfAnother(Invalid):
    """The voucher's prescription was written for somebody else."""

    code = "prices.prescription_of_another"
    title = "This prescription is not the customer's"


class SchemeValueThere(Conflict):
    """The same value for the same first day and day of publication is entered already; withdraw it first."""

    code = "prices.scheme_value_there"
    title = "This value is entered already"


class SchemeValueUnsound(Invalid):
    """A value that is negative, in another currency than the scheme's, or has no days."""

    code = "prices.scheme_value_unsound"
    title = "This is no value of the scheme"


class SchemeValueWithdrawn(Conflict):
    """The value was withdrawn before."""

    code = "prices.scheme_value_withdrawn"
    title = "The value is withdrawn"


class NoValueInForce(Invalid):
    """Nothing is entered that was in force on the day of issue. Head office enters it; nothing is guessed."""

    code = "prices.no_value_in_force"
    title = "No value in force is known for this day"


class BandNotSupported(Invalid):
    """The band stated is not one that the powers can have; says which they can."""

    code = "prices.band_not_supported"
    title = "The powers do not have this band"


class BandNeedsPowers(Invalid):
    """The band follows from the powers of the lenses; only the bands stated on the form can be given without."""

    code = "prices.band_needs_powers"
    title = "Give the powers of the lenses"


class NotEntitledByAge(Invalid):
    """The ground of entitlement hangs on an age that the customer did not have on the day of issue."""

    code = "prices.not_entitled_by_age"
    title = "The customer's age does not fit the ground"


class VoucherDayUnsound(Invalid):
    """A voucher is not issued in the future, and its last day is not before its first."""

    code = "prices.voucher_day_unsound"
    title = "This day cannot be"


class VoucherReferenceTaken(Conflict):
    """A voucher form with this number is recorded in the scheme already."""

    code = "prices.voucher_reference_taken"
    title = "This voucher is recorded already"


class VoucherNotOpen(Conflict):
    """Only a voucher that is issued and not redeemed, over or cancelled pays; says where it stands."""

    code = "prices.voucher_not_open"
    title = "This voucher cannot be redeemed"


class VoucherOfAnother(Conflict):
    """A voucher pays for the customer it was issued to and for nobody else."""

    code = "prices.voucher_of_another"
    title = "The voucher was issued to somebody else"


class NothingDue(Invalid):
    """A voucher pays what is due and no more; nothing is due."""

    code = "prices.nothing_due"
    title = "There is nothing for the voucher to pay"


class NotRedeemedHere(Conflict):
    """The voucher is not redeemed for this document, or it is claimed from the scheme already."""

    code = "prices.not_redeemed_here"
    title = "The voucher cannot be put back"


class NothingToClaim(Conflict):
    """No redeemed voucher and no open adjustment of the branch waits to be claimed."""

    code = "prices.nothing_to_claim"
    title = "There is nothing to claim"
