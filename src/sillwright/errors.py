"""The family of errors a person can act on: what is wrong, where, and what to do about it."""

from __future__ import annotations


class SillwrightError(Exception):
    """Root of every error this package raises on purpose.

    ``str(error)`` is a sentence for the crew; ``exit_code`` is what a command ends with.
    """

    exit_code = 1


class LengthError(SillwrightError, ValueError):
    """A length somebody wrote cannot be read."""

    exit_code = 2


class JobError(SillwrightError, ValueError):
    """The job file, or another file the crew wrote, says something that cannot be used."""

    exit_code = 2


class PhotoError(SillwrightError):
    """A photo cannot be read, or is not safe to read; a command ends so where not one of its photos can."""

    exit_code = 3


class CalibrationError(SillwrightError):
    """The photos of the calibration sheet cannot determine the lens."""

    exit_code = 4


class MeasureError(SillwrightError):
    """Nothing in the run could be measured at all."""

    exit_code = 4


class ArchiveError(SillwrightError, ValueError):
    """What is to be sealed, or the store named, cannot be used as it is; nothing was changed."""

    exit_code = 2


class DamageError(SillwrightError):
    """A package, a proof or a store's log is damaged, or is made to do harm: nothing in it is relied on."""

    exit_code = 5


class EnvironmentFault(SillwrightError):
    """A library this package stands on is missing, too old, or known to be wrong."""

    exit_code = 70
