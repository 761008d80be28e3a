"""A capture as it lies on the disk: frames, `capture.toml`, `frames.csv`, `sound.wav`.

A folder holds the three papers beside its frames. A video file `reel.mov` has them beside it as
`reel.capture.toml`, `reel.frames.csv` and `reel.wav`.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.times import even_times, read_times
from smallgauge.errors import MaterialError
from smallgauge.media.picture_in import CaptureListing, list_capture
from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_inside import (
    SoundInside,
    count_sounds_inside,
    find_sound_inside,
    frame_times_inside,
)
from smallgauge.media.whole import digest_file
from smallgauge.record.capture import CapturedSound, CaptureScale, LampPicture
from smallgauge.record.files import read_text_if_there
from smallgauge.record.finding import Finding
from smallgauge.record.journal import key_of
from smallgauge.record.machines import Machines, MachineScale
from smallgauge.record.notes import APART, KEY_NAMED, WILD_TAPE, WITH_PICTURE, CaptureNotes, read_notes
from smallgauge.record.reel import Half


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Source:
    """A capture at hand: where it lies, what it holds, and what the operator said of it."""

    path: Path
    name: str
    listing: CaptureListing
    notes: CaptureNotes
    findings: tuple[Finding, ...]
    times_s: NDArray[np.float64]
    sound: Path | None
    inside: SoundInside | None = None  # sound inside the video, where no sound file lies beside it
    half: Half | None = None  # of unslit double 8: the archive copy is the capture's, and there already
    machines: Machines = field(default_factory=Machines)  # what the shop keeps of its own
    guide: Path | None = None
    open_gate: LampPicture | None = None
    dark: LampPicture | None = None

    @property
    def identity(self) -> str:
        """Tells captures apart before all frames are read: names, sizes, and the first and last file."""
        root = self.listing.root
        sizes = [(root / name).stat().st_size for name in self.listing.files]
        ends = [digest_file(root / name) for name in sorted({self.listing.files[0], self.listing.files[-1]})]
        if self.listing.kind == "video":
            ends = [_digest_ends(self.listing.path)]
        sound = (self.sound.name, self.sound.stat().st_size) if self.sound else None
        region = (self.listing.region,) if self.listing.region is not None else ()
        guide = (self.guide.name, self.guide.stat().st_size) if self.guide else None
        return key_of(self.listing.files, sizes, ends, sound, *region, *([guide] if guide else []))

    @property
    def words(self) -> dict[str, str]:
        """The operator's words that the measuring depends on, and the machine's scales where none is stated."""
        words = {n: str(getattr(self.notes, n)) for n, key in KEY_NAMED.items() if key.measures}
        kept = self.machines.scales.get(self.notes.machine or "", {})
        stated = self.notes.micrometres_per_pixel is not None
        words |= {each.name: each.sha256 for each in (self.open_gate, self.dark) if each is not None}
        return words if stated or not kept else words | {"machine's scales": str(dict(kept))}

    @property
    def measured_with(self) -> str:
        """Digest of what the tables depend on besides the frames: the operator's words and the times."""
        return key_of(self.words, hashlib.sha256(self.times_s.tobytes()).hexdigest())

    def scale(self, gauge: str | None) -> CaptureScale | None:
        """The capture's scale for a gauge: as stated, else as kept for the machine and pictures of this size."""
        along, across = self.notes.micrometres_per_pixel, self.notes.micrometres_per_pixel_across
        nan = float("nan")
        if along is not None:
            return CaptureScale(
                along_um=along,
                across_um=across or along,
                along_sigma=nan,
                across_sigma=nan,
                machine="",
                words="stated",
            )
        kept = self.machines.scale(self.notes.machine, gauge)
        if kept is None or not self.fits(kept):
            return None
        return CaptureScale(
            along_um=kept.along_um,
            across_um=kept.across_um,
            along_sigma=(kept.along_sigma_um or nan) / (kept.along_um or nan),
            across_sigma=(kept.across_sigma_um or nan) / (kept.across_um or nan),
            machine=self.notes.machine or "",
            words=f"{self.notes.machine}, calibrated {kept.at[:10]} by {kept.by} from {kept.told_by}",
        )

    def fits(self, kept: MachineScale) -> bool:
        """Was a machine's scale measured on pictures of this capture's size?"""
        return (kept.width_px, kept.height_px) == (self.listing.width, self.listing.height)

    def scale_findings(self, gauge: str) -> tuple[Finding, ...]:
        """Which scale is used, where a machine keeps one."""
        kept = self.machines.scale(self.notes.machine, gauge)
        if kept is None:
            return ()
        values: dict[str, object] = {"machine": self.notes.machine or "", "from": kept.told_by, "by": kept.by}
        values |= {"at": kept.at, "along_um": kept.along_um, "across_um": kept.across_um}
        code = "machine scale used"
        if self.notes.micrometres_per_pixel is not None:
            code = "scale stated over the machine's"
            values["stated_um"] = self.notes.micrometres_per_pixel
        elif not self.fits(kept):
            code = "machine scale not used"
            values["needed"] = f"{kept.width_px} x {kept.height_px}"
            values["found"] = f"{self.listing.width} x {self.listing.height}"
        return (Finding(code=code, where="capture", values=values),)


def _digest_ends(path: Path) -> str:
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(1 << 20)
        file.seek(max(0, size - (1 << 20)))
        return hashlib.sha256(head + file.read()).hexdigest()


def open_source(
    path: Path,
    *,
    stated: tuple[str, ...] = (),
    machines: Machines | None = None,
    tick: Callable[[int], None] | None = None,
) -> Source:
    """Look at a capture: list its frames and read the papers beside them; `machines` is what the shop keeps of its own.
    `tick` is called with 0 after each frame that was listed.

    Raises MaterialError where there is no capture, or where it can't be one.
    """
    if not path.exists():
        raise MaterialError(
            f"A capture must be a folder of frames or a video file, found nothing at {path}; check the path."
        )
    if path.is_dir():
        toml, csv, sound, guide = (
            path / name for name in ("capture.toml", "frames.csv", "sound.wav", "guide.wav")
        )
    else:
        toml, csv, sound, guide = (
            path.with_name(path.stem + end) for end in (".capture.toml", ".frames.csv", ".wav", ".guide.wav")
        )
    notes, findings = read_notes(read_text_if_there(toml), where=toml.name, stated=stated)
    if guide.exists():
        _check_guide(guide, sound, notes)
    listing = list_capture(path, progress=None if tick is None else lambda _: tick(0))
    open_gate, dark = (_lamp_picture(listing, name) for name in (notes.open_gate, notes.dark))
    if dark is not None and open_gate is None:
        raise MaterialError(
            f"A picture with the lamp off is used with one of the open gate, found {dark.name} alone; name open_gate in "
            f"{toml.name} too."
        )
    used = {each.name for each in (open_gate, dark) if each is not None}
    listing = replace(listing, passed_over=tuple(each for each in listing.passed_over if each[0] not in used))
    times = read_times(read_text_if_there(csv), count=listing.count, where=csv.name)
    inside = None
    if listing.kind == "video" and not sound.exists():
        inside = find_sound_inside(listing.path)
    elif listing.kind == "video" and count_sounds_inside(listing.path):
        told: dict[str, object] = {"file": listing.path.name, "beside": sound.name}
        findings = (*findings, Finding(code="sound inside not used", where="sound", values=told))
    if inside is not None:
        findings = (*findings, _inside_finding(inside, listing.path))
        start_s = notes.sound_start_s if notes.sound_start_s is not None else inside.starts_s
        notes = replace(notes, sound_start_s=start_s)
        if not np.isfinite(times).any() and notes.scan_rate is None and listing.stamps:
            times = frame_times_inside(listing.path, listing.stamps)
    if not np.isfinite(times).any() and notes.scan_rate is not None:
        times = even_times(listing.count, notes.scan_rate)
    unreadable = {n: why for n, why in listing.unreadable if n not in notes.frames_let_pass}
    if unreadable:
        number, why = next(iter(unreadable.items()))
        raise MaterialError(
            f"Every frame must be readable, but frame {number} ({listing.files[number]}) is not: {why}; "
            f"scan it again, or let it pass with --let-pass {number}."
        )
    return Source(
        path=path,
        name=path.name if path.is_dir() else path.stem,
        listing=listing,
        notes=notes,
        findings=(*findings, *_listing_findings(listing)),
        times_s=times,
        sound=sound if sound.exists() else None,
        inside=inside,
        machines=machines or Machines(),
        guide=guide if guide.exists() else None,
        open_gate=open_gate,
        dark=dark,
    )


def _check_guide(guide: Path, sound: Path, notes: CaptureNotes) -> None:
    """A guide lays sound that has a clock of its own; MaterialError where there is none."""
    run = notes.sound_run or WITH_PICTURE
    if not sound.exists() or run == WITH_PICTURE:
        found = f"sound_run = '{run}'" if sound.exists() else f"no {sound.name}"
        raise MaterialError(
            f"A guide ({guide.name}) lays sound that was not captured with the picture: it needs {sound.name} and sound_run = "
            f"'{WILD_TAPE}' or '{APART}', found {found} in {guide.parent}; state it in capture.toml, or take the guide away."
        )


def _inside_finding(inside: SoundInside, video: Path) -> Finding:
    """What is said of sound inside a video that is used."""
    values: dict[str, object] = {"file": video.name, "codec": inside.codec, "lossy": inside.lossy}
    values |= {"rate": inside.rate, "channels": inside.channels, "start_s": round(inside.starts_s, 6)}
    values |= {"others": inside.streams - 1}
    return Finding(code="sound inside the video", where="sound", values=values)


def _lamp_picture(listing: CaptureListing, name: str | None) -> LampPicture | None:
    """A picture of the lamp that the operator named; it lies beside the frames and is none of them."""
    if name is None:
        return None
    path = listing.root / name
    if name in listing.files:
        raise MaterialError(
            f"{name} is named as a picture of the lamp, but its number makes it a frame; give it a name without a number, "
            "such as open-gate.tif."
        )
    if Path(name).name != name or not path.is_file():
        raise MaterialError(
            f"A picture of the lamp lies beside the frames, found no {name} in {listing.root}; put it there, or leave it out "
            "of capture.toml."
        )
    return LampPicture(name=name, sha256=digest_file(path))


def _listing_findings(listing: CaptureListing) -> tuple[Finding, ...]:
    found = []
    if listing.passed_over:
        names, reasons = [n for n, _ in listing.passed_over], sorted({r for _, r in listing.passed_over})
        found.append(
            Finding(code="files passed over", where="capture", values={"names": names, "reasons": reasons})
        )
    if listing.gaps:
        values: dict[str, object] = {
            "gaps": [list(gap) for gap in listing.gaps],
            "missing": sum(m for _, m in listing.gaps),
        }
        found.append(Finding(code="numbering gap", where="capture", values=values))
    if listing.encoding.pixel_aspect != (1, 1):
        aspect = "{}:{}".format(*listing.encoding.pixel_aspect)
        found.append(Finding(code="pixels not square", where="capture", values={"aspect": aspect}))
    if listing.encoding.interlaced:
        found.append(Finding(code="interlaced", where="capture"))
    found += [
        Finding(code="decoder log of the capture", where="capture", values={"line": line})
        for line in listing.log[:20]
    ]
    found += [
        Finding(code="how pictures are read", where="capture", values={"words": words})
        for words in listing.notes
    ]
    return tuple(found)


def look_at_sound(path: Path, source: Source | None = None) -> CapturedSound:
    """What the captured sound says of itself, with the digest of its file; with a `source` it may be inside a video."""
    inside = source.inside if source is not None else None
    with open_sound(path) as reader:
        return CapturedSound(
            name=path.name if inside is None or source is None else source.listing.path.name,
            rate=reader.rate,
            channels=reader.channels,
            samples=reader.samples,
            bits=reader.bits,
            sha256=digest_file(path),
            inside="" if inside is None else inside.codec,
        )
