"""What can be wrong with a row beyond what shapes and services say; told row by row, each with its code."""

from __future__ import annotations

from opticshop.core.errors import Conflict, Invalid


class RowRagged(Invalid):
    """A row has more or fewer cells than there are headings; often a delimiter inside a cell without quotes."""

    code = "imports.row_ragged"
    title = "The row is not as wide as the headings"


class CellTooLong(Invalid):
    """A cell holds more text than any field takes; often a quote that is closed far too late."""

    code = "imports.cell_too_long"
    title = "A cell is too long"


class CellUnreadable(Invalid):
    """A number, a day or a yes or no is not written as the import says it is."""

    code = "imports.cell_unreadable"
    title = "A cell cannot be read"


class KeyUnusable(Invalid):
    """A row's key in the system it comes from is too long or not printable."""

    code = "imports.key_unusable"
    title = "The outside key cannot be used"


class AlreadyThere(Conflict):
    """A row with this key was taken over at this branch before. Nothing is done and nothing is changed."""

    code = "imports.already_there"
    title = "Taken over already"


class Unchanged(Conflict):
    """The article has this price already."""

    code = "imports.unchanged"
    title = "Nothing would change"


class NearDuplicate(Conflict):
    """The row looks like somebody who is registered, and the import leaves such rows out."""

    code = "imports.near_duplicate"
    title = "Looks like somebody who is registered"


class ConsentUnproved(Invalid):
    """A consent that was given has a day and evidence; one that cannot be shown is not taken over."""

    code = "imports.consent_unproved"
    title = "A consent has no day or no evidence"


class CustomerUnknown(Invalid):
    """The row names no customer of this branch: neither by the key of an import nor by our id."""

    code = "imports.customer_unknown"
    title = "The customer is not known here"


class ArticleUnknown(Invalid):
    """The code is that of no article, or of several of different kinds."""

    code = "imports.article_unknown"
    title = "The article is not known"


class CurrencyDiffers(Invalid):
    """The row is written in another currency than the branch, the list or the article has."""

    code = "imports.currency_differs"
    title = "Another currency"


class Elsewhere(Invalid):
    """The row says that the pieces lie in another branch than the one the file was uploaded for."""

    code = "imports.elsewhere"
    title = "Not of this branch"


class PricedTwice(Invalid):
    """An earlier row of the file gives the article a price."""

    code = "imports.priced_twice"
    title = "The article has a price already"


class Unforeseen(Conflict):
    """The row failed here for no reason of its own, several times; what failed was logged."""

    code = "imports.unforeseen"
    title = "Something failed here"
