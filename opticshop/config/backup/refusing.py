from __future__ import annotations


class BackupRefused(Exception):
    """What was asked for cannot be done; the words are for whoever typed the command."""
