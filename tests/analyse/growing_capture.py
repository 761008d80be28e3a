"""A drawn capture that grows by a clock which the test holds: files come half, late, out of order or not at all."""

import hashlib
import shutil
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path

from smallgauge.analyse.follow import Bench, Follower, survey_job
from smallgauge.analyse.source import Source
from smallgauge.crew import Crew
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal
from smallgauge.record.verdict import Verdict

RATE = 25.0


@dataclass
class Scanner:
    """Writes into `folder` what `events` say, as the clock goes on."""

    folder: Path
    now: float = 0.0
    events: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def at(self, time_s: float, action: Callable[[], None]) -> None:
        self.events.append((time_s, action))

    def wait(self, seconds: float) -> None:
        """The clock of the test: what should have happened by then happens."""
        self.now += max(seconds, 0.05)
        due = sorted((e for e in self.events if e[0] <= self.now), key=lambda e: e[0])
        self.events = [e for e in self.events if e[0] > self.now]
        for _, action in due:
            action()

    def clock(self) -> float:
        return self.now

    def write(self, name: str, data: bytes, *, at: float, half_for: float = 0.0, part: str = "") -> None:
        """A file; `half_for` seconds only half of it is there, under its own name or one that ends in `part`."""
        place, early = self.folder / name, self.folder / (name + part)
        if half_for or part:
            self.at(at, lambda: early.write_bytes(data[: len(data) // 2]))

            def complete() -> None:
                early.write_bytes(data)
                if part:
                    early.rename(place)

            self.at(at + half_for, complete)
        else:
            self.at(at, lambda: place.write_bytes(data))

    def copy(
        self, drawn: Path, *, frames: range, numbers: dict[int, int | None] | None = None, stamps: bool = True
    ) -> float:
        """A drawn capture at 25 frames a second: notes at once, stamps with their frames. When the last one comes.

        `numbers` gives another number for a frame of the drawing, None where it does not come at all.
        """
        numbers = numbers or {}
        for path in drawn.glob("capture.toml"):
            self.at(0.0, lambda path=path: shutil.copy(path, self.folder))
        times = (drawn / "frames.csv").read_text().splitlines()
        lines = [times[0]]
        last = 0.0
        captured = 0
        for frame in frames:
            number = numbers.get(frame, frame)
            if number is None:
                continue
            source = next(drawn.glob(f"frame_{frame:06d}.*"))
            last = frame / RATE
            self.write(f"frame_{number:06d}{source.suffix}", source.read_bytes(), at=last)
            lines.append(f"{captured},{times[frame + 1].split(',')[1]}")
            captured += 1
            if stamps and captured % 10 == 0:  # a recorder of stamps that writes in lumps
                text = "\n".join(lines) + "\n"
                self.at(last + 0.3, lambda text=text: (self.folder / "frames.csv").write_text(text + "99"))
        if stamps:
            text = "\n".join(lines) + "\n"
            self.at(last + 0.5, lambda: (self.folder / "frames.csv").write_text(text))
        return last

    def record(self, sound: bytes, *, header: int, until: float, bytes_per_s: float) -> None:
        """Sound that grows four times a second; its header says nothing of its length before the end."""
        open_head = sound[:4] + b"\0\0\0\0" + sound[8 : header - 4] + b"\0\0\0\0"
        for step in range(int(4 * until) + 1):
            stop = header + int(step / 4 * bytes_per_s) // 6 * 6
            data = open_head + sound[header:stop]
            self.at(step / 4, lambda data=data: (self.folder / "sound.wav").write_bytes(data))
        self.at(until + 0.2, lambda: (self.folder / "sound.wav").write_bytes(sound))


@dataclass
class Followed:
    """What came of it."""

    verdict: Verdict
    calls: list[tuple[float, Finding]]
    answered_at: float

    @property
    def reasons(self) -> list[str]:
        return [finding.code for finding in self.verdict.reasons]


SURVEYED: dict[tuple[object, ...], Future] = {}


def looked_at(source: Source) -> tuple[object, ...]:
    """All that a survey goes by: the frames' names and bytes, and what is stated of them."""
    root = source.listing.root
    frames = [(name, hashlib.sha256((root / name).read_bytes()).digest()) for name in source.listing.files]
    return *frames, repr(source.notes), repr(source.machines), repr(source.listing.encoding)


class SameTime(Crew):
    """With one worker every job is done where it is given out, because the scanner's clock knows nothing of other processes.

    A survey of frames that another test had surveyed, byte for byte and with the same notes, is not made again.
    """

    def submit(self, function, job, **words):
        words |= {"outside": words.get("outside", False) and not self.here}
        if function is not survey_job or not self.here:
            return super().submit(function, job, **words)
        of = looked_at(job)
        if of not in SURVEYED:
            SURVEYED[of] = super().submit(function, job, **words)
        return SURVEYED[of]


def follow(scanner: Scanner, folder: Path, *, keep: bool = True, workers: int = 1, **changes) -> Followed:
    """Follow a growing capture by the scanner's clock."""
    calls: list[tuple[float, Finding]] = []
    answered: list[float] = []
    bench = Bench(
        clock=scanner.clock,
        wait=scanner.wait,
        say=lambda finding: calls.append((scanner.now, finding)),
        told=lambda verdict: answered.append(scanner.now),
        **changes,
    )
    folder.mkdir(parents=True, exist_ok=True)
    with SameTime(workers) as crew:
        verdict = Follower(scanner.folder, folder, Journal(folder), crew, bench, keep=keep).run()
    return Followed(verdict, calls, answered[0])
