from .exports import EntryPosition, JournalExport, JournalTail
from .journal import Account, Entry, Line, Period

__all__ = ["Account", "Entry", "EntryPosition", "JournalExport", "JournalTail", "Line", "Period"]
