"""Captured frames as they arrive: which are there, which are whole, and which are still being written.

Arrivals    looks into a folder again and again; never writes there

A frame counts as whole when its file has not changed between two looks, its header can be read, and everything
that the header states is there. Until then it is waited for: a short file is a file that is not finished yet.
"""

import itertools
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from smallgauge.errors import MaterialError
from smallgauge.media.passing import VIDEO_SUFFIXES, passing_reason
from smallgauge.media.picture_in import KNOWN_NAMES, CaptureListing, describe_still, split_name
from smallgauge.media.still_in import Damage, StillHeader, check_whole

SETTLE_S = 0.3  # a file that changed less than this ago is still being written; common practice, no source
GAP_SETTLE_S = (
    10.0  # a number that has not come so long after the next one is missing; common practice, no source
)
WHOLE_LOOK = 20  # every so many looks the files that are whole are looked at again
_UNFINISHED = (".part", ".tmp", ".crdownload")


@dataclass(slots=True, kw_only=True)
class Arrival:
    """One file of the capture.

    `since` is when it was first seen as it is now, `first_seen` when it was first seen at all, `header` what a
    whole file says of itself, `why` why it is not whole yet ("" where nothing was found wrong so far).
    """

    name: str
    number: int
    stem: tuple[str, str]
    size: int
    changed_ns: int
    since: float
    first_seen: float
    header: StillHeader | None = None
    why: str = ""


class Arrivals:
    """The frames of a folder that a scanner is writing into.

    `last_change` is when anything last came or grew, `altered` the numbers of frames that were whole and changed
    afterwards, `early` how many frames were there at the first look.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files: dict[str, Arrival] = {}
        self.altered: set[int] = set()
        self.last_change: float | None = None
        self.early = 0
        self.videos: list[str] = []
        self._unfinished: dict[str, int] = {}
        self._looks = 0
        self._frames: list[Arrival] | None = None

    def look(self, now: float) -> None:
        """Look into the folder; `now` in seconds, by a clock that only goes forwards."""
        again = self._looks % WHOLE_LOOK == 0
        self._frames = None
        first, self._looks = self._looks == 0, self._looks + 1
        unfinished: dict[str, int] = {}
        videos: list[str] = []
        there = set()
        for entry in sorted(self.folder.iterdir(), key=lambda path: path.name):
            known = self.files.get(entry.name)
            if known is not None:
                there.add(entry.name)
                if known.header is None or again:
                    self._look_at(known, entry, now)
                continue
            self._meet(entry, now, unfinished, videos, there)
        if unfinished != self._unfinished:
            self._unfinished, self.last_change = unfinished, now
        self.videos = videos
        for name in set(self.files) - there:  # renamed or taken away
            del self.files[name]
            self.last_change = now
        if first:
            self.early = len(self.files)
        for file in self.files.values():
            if file.header is None and now - file.since >= SETTLE_S:
                self._check(file)

    def _meet(
        self, entry: Path, now: float, unfinished: dict[str, int], videos: list[str], there: set[str]
    ) -> None:
        """A name that was not there before."""
        if entry.name.lower() in KNOWN_NAMES:
            return
        reason = passing_reason(entry)
        try:
            stat = entry.stat()
        except OSError:  # renamed between the two calls: it is met under its new name
            return
        if reason is not None:
            if entry.name.lower().endswith(_UNFINISHED):
                unfinished[entry.name] = stat.st_size
            elif entry.suffix.lower() in VIDEO_SUFFIXES:
                videos.append(entry.name)
            return
        stem, number = split_name(entry.name)
        if number is None:
            return
        there.add(entry.name)
        self.files[entry.name] = Arrival(
            name=entry.name,
            number=number,
            stem=stem,
            size=stat.st_size,
            changed_ns=stat.st_mtime_ns,
            since=now,
            first_seen=now,
        )
        self.last_change = now

    def _look_at(self, file: Arrival, entry: Path, now: float) -> None:
        try:
            stat = entry.stat()
        except OSError:
            return
        if (stat.st_size, stat.st_mtime_ns) == (file.size, file.changed_ns):
            return
        if file.header is not None:
            self.altered.add(file.number)
        file.size, file.changed_ns, file.since, file.header = stat.st_size, stat.st_mtime_ns, now, None
        self.last_change = now

    def _check(self, file: Arrival) -> None:
        try:
            file.header = check_whole(self.folder / file.name)
            file.why = ""
        except (Damage, MaterialError) as fault:
            file.why = str(fault)

    @property
    def unfinished(self) -> tuple[str, ...]:
        """Names of files that say of themselves that they are not finished."""
        return tuple(sorted(self._unfinished))

    def frames(self) -> list[Arrival]:
        """The frames of the capture's one sequence, by number, whole or not."""
        if self._frames is not None:
            return self._frames
        stems = Counter(file.stem for file in self.files.values())
        if not stems:
            return []
        usual = max(stems, key=lambda stem: (stems[stem], stem))
        frames = sorted(
            (file for file in self.files.values() if file.stem == usual), key=lambda file: file.number
        )
        for one, other in itertools.pairwise(frames):
            if one.number == other.number:
                raise MaterialError(
                    f"{one.name} and {other.name} in {self.folder.name} have the same number {one.number}; one "
                    "number, one frame: take one of them out of the folder."
                )
        self._frames = frames
        return frames

    def strangers(self) -> tuple[str, ...]:
        """Pictures that belong to another sequence."""
        mine = {file.name for file in self.frames()}
        return tuple(sorted(name for name in self.files if name not in mine))

    def of_other_form(self) -> tuple[str, ...]:
        """Whole frames of another size or form than the first."""
        whole = [(file, file.header) for file in self.frames() if file.header is not None]
        return tuple(
            f"{file.name} ({describe_still(header)})" for file, header in whole if header != whole[0][1]
        )

    def settled(self, now: float, *, ended: bool = False) -> int:
        """How many frames from the first on are whole and have their place in the sequence for good.

        A frame after a missing number has its place only when the number has not come for a while, or when the
        capture has ended.
        """
        frames = self.frames()
        for index, file in enumerate(frames):
            if file.header is None or file.header != frames[0].header:
                return index
            late = index and file.number > frames[index - 1].number + 1
            if late and not ended and now - file.first_seen < GAP_SETTLE_S:
                return index
        return len(frames)

    def listing(self, count: int) -> CaptureListing:
        """The first `count` frames as a capture; they must be whole."""
        frames = self.frames()[:count]
        header: Any = frames[0].header
        numbers = tuple(file.number for file in frames)
        return CaptureListing(
            kind="folder",
            root=self.folder,
            files=tuple(file.name for file in frames),
            numbers=numbers,
            gaps=tuple(
                (index, after - number - 1)
                for index, (number, after) in enumerate(itertools.pairwise(numbers))
                if after - number > 1
            ),
            passed_over=(),
            width=header.width,
            height=header.height,
            encoding=header.encoding,
            format=header.format,
            rate=None,
            count=len(frames),
            notes=header.notes,
        )

    def rate(self, now: float, *, over_s: float = 10.0) -> float | None:
        """Frames a second that came of late; None before five have come since the first look."""
        came = sorted(file.first_seen for file in self.files.values())[self.early :]
        late = [at for at in came if now - at <= over_s] or came[-50:]
        if len(late) < 5 or late[-1] <= late[0]:
            return None
        return (len(late) - 1) / (late[-1] - late[0])
