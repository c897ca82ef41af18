"""A package opened to be read: its names are looked at before anything is used, and each file is held against its
checksum before it is given out. Whether the package as a whole is the one that was sealed is for the audit to tell."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sillwright.archive.examine import Digests, checksum_faults, refuse_unsafe
from sillwright.archive.package import plain_file
from sillwright.errors import DamageError
from sillwright.whole_file import LARGEST_BYTES


@dataclass(frozen=True)
class OpenedPackage:
    """A package's folder, and what its manifests tell of each file."""

    folder: Path
    listed: Digests

    @property
    def name(self) -> str:
        """The package's name."""
        return self.folder.name

    def holds(self, inside: str) -> bool:
        """Whether a file of that path, with ``data/`` before it, was sealed."""
        return inside in self.listed

    def whole(self, inside: str) -> Path:
        """A file that was sealed, as it was sealed.

        Raises DamageError where it was not sealed, is gone, or is another one now.
        """
        if not self.holds(inside):
            raise DamageError(f"{self.name} has no file {inside} that was sealed.")
        try:
            path = plain_file(self.folder, inside)
        except OSError as fault:
            raise DamageError(f"{self.name}: {inside} is not there any more. {_HOW}") from fault
        if path.stat().st_size > LARGEST_BYTES:
            raise DamageError(f"{self.name}: {inside} is larger than any such file, so it is not read. {_HOW}")
        if checksum_faults(path, inside, self.listed[inside]):
            raise DamageError(f"{self.name}: {inside} is not as it was sealed, so it is not used. {_HOW}")
        return path


def open_package(folder: Path) -> OpenedPackage:
    """Open one. Raises DamageError as :func:`sillwright.archive.examine.refuse_unsafe` does."""
    return OpenedPackage(folder, refuse_unsafe(folder))


_HOW = "Audit the package, and fetch it again from a copy."
