"""What a package must hold: written by `deliver`, read by `prove`."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PackagePart:
    """One file of the package: its place there, the reel's file that it is, and whether it may lack."""

    place: str
    of: str
    needed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageList:
    """All parts of a package; `manifest` is the file of SHA-256 sums beside them."""

    version: int = 1
    reel: str
    manifest: str = "SHA256SUMS"
    parts: tuple[PackagePart, ...]
