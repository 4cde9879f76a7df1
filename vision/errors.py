"""Typed errors. Each carries the exit code of the contract and says what to do."""

from __future__ import annotations


class RakelightError(Exception):
    """Base of all errors meant for a person; the message says what to do next."""

    exit_code: int = 1


class PhotoError(RakelightError):
    """A file that is not a photo we can measure; ``reason`` is a short machine word."""

    exit_code = 3

    def __init__(self, reason: str, message: str) -> None:
        super().__init__(message)
        self.reason = reason


class NoPhotoError(RakelightError):
    """Nothing readable was given."""

    exit_code = 3


class InputFileError(RakelightError):
    """A guide, findings or regions file that breaks its rules; the message names file, line and remedy."""

    exit_code = 4


class UsageError(RakelightError):
    """A call whose words are off."""

    exit_code = 2


class OutputError(RakelightError):
    """The output place cannot be written."""

    exit_code = 6


class WorkerDiedError(RakelightError):
    """A worker process ended without a result."""

    exit_code = 7
