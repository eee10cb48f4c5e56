"""Errors that reach a person: each is one line that says what to do.

The branches follow what the program does next: a wrong use or configuration ends the command with
status 2, failed work with status 1, and a lost source is retried by the daemon for ever.
"""


class EbbwattError(Exception):
    """The work failed; the text is shown on standard error and the command ends with status 1."""

    exit_status = 1


class UsageError(EbbwattError):
    """The command line or the configuration is wrong; ends the command with status 2."""

    exit_status = 2


class ConfigError(UsageError):
    """A configuration file is missing, malformed, or holds values that are not accepted.

    ``errors`` holds each thing that is wrong, one line each; the text names the first.
    """

    def __init__(self, *errors: str) -> None:
        further = len(errors) - 1
        more = f" (and {further} more: 'ebbwatt check' shows all)" if further else ""
        super().__init__(f"{errors[0]}{more}")
        self.errors = errors


class StoreError(EbbwattError):
    """The database is not ours, is newer than the program, is locked, or is damaged."""


class StoreEmptyError(StoreError):
    """There is no database yet, or it holds no log: nothing is wrong, nothing was written."""


class StoreUnwritableError(StoreError):
    """The database cannot be written now (no room, write-protected, locked); later it may be.

    ``kind`` is the kind of the event that tells of it later.
    """

    def __init__(self, text: str, kind: str = "store_unwritable") -> None:
        super().__init__(text)
        self.kind = kind


class StoreDamagedError(StoreError):
    """The file is no longer what was written into it."""


class SourceError(EbbwattError):
    """A source could not be opened or was lost; trying again makes sense."""


class RecordingError(EbbwattError):
    """A recording or import file cannot be read at all (single bad rows are only reported)."""
