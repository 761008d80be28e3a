"""A 50 ft roll of Super 8 from capture to package in one run: CPU a frame for each pass, gigabytes, memory.

    python -m benchmarks.roll FOLDER [FRAMES]

draws the roll into FOLDER once (3,600 frames of 1440x1080, 10-bit log DPX, striped, six scenes), runs the
line on it with two workers, and prints a table for docs/benchmarks.md with the arithmetic for 400 ft and
for a night of eight hours. CPU is user and system seconds of all processes; wall time is only printed for
orientation, since other work may share the machine.
"""

import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, specimen_truth

SCENES = ("garden", "sea", "birthday", "road", "garden", "sea")
FEET_400 = 28_800  # frames of 400 ft of Super 8: 72 a foot (encyclopedia articles on Super 8)
NIGHT_S = 8 * 3600


def roll_truth(frames: int) -> ReelTruth:
    """The roll that is drawn."""
    scenes = tuple(
        SceneTruth(kind=kind, first=frames * n // len(SCENES), stop=frames * (n + 1) // len(SCENES))
        for n, kind in enumerate(SCENES)
    )
    return specimen_truth(
        "super 8",
        width=1440,
        height=1080,
        frames=frames,
        bits=10,
        code_values="log",
        striped=True,
        fast_noise=True,
        scenes=scenes,
        scan_pattern="wandering",
        stamp_jitter_s=0.0005,
    )


@dataclass
class Meter:
    """Adds up CPU of this process and its children, between the names of the work that progress tells."""

    cpu: dict[str, float] = field(default_factory=dict)
    wall: dict[str, float] = field(default_factory=dict)
    peak_bytes: int = 0
    what: str = "survey"
    _last_cpu: float = 0.0
    _last_wall: float = 0.0
    _dead: float = 0.0
    _seen: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._me = psutil.Process()
        self._last_cpu, self._last_wall = self._total(), time.perf_counter()
        threading.Thread(target=self._watch, daemon=True).start()

    def _total(self) -> float:
        now: dict[int, float] = {}
        memory = 0
        for process in [self._me, *self._me.children(recursive=True)]:
            try:
                times = process.cpu_times()
                memory += process.memory_full_info().pss
                now[process.pid] = times.user + times.system
            except (psutil.Error, AttributeError):
                continue
        self._dead += sum(value for pid, value in self._seen.items() if pid not in now)
        self._seen = now
        self.peak_bytes = max(self.peak_bytes, memory)
        return self._dead + sum(now.values())

    def _watch(self) -> None:
        while True:
            time.sleep(1.0)
            self._total()

    def progress(self, what: str, done: int, of: int) -> None:
        if what != self.what:
            self.turn(what)

    def turn(self, what: str) -> None:
        """Book what was used since the last turn under its name."""
        cpu, wall = self._total(), time.perf_counter()
        self.cpu[self.what] = self.cpu.get(self.what, 0.0) + cpu - self._last_cpu
        self.wall[self.what] = self.wall.get(self.what, 0.0) + wall - self._last_wall
        self._last_cpu, self._last_wall, self.what = cpu, wall, what


def main() -> None:
    """Draw, run, print."""
    folder = Path(sys.argv[1])
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 3600
    capture = folder / "capture"
    if not (folder / "drawn").exists():
        write_specimen(capture, roll_truth(frames), format="dpx", reel="0004171-R01-3")
        (folder / "drawn").touch()
    meter = Meter()
    begin = time.perf_counter()
    outcome = finish(
        capture, folder / "shelf", Settings(at="2026-01-17T10:00:00Z", workers=2, progress=meter.progress)
    )
    meter.turn("end")
    wall = time.perf_counter() - begin
    total = sum(meter.cpu.values())
    print(f"exit code {outcome.exit_code}, proved {outcome.proved}, {frames} frames")
    print("| work | CPU s | CPU ms a frame | wall s |\n| --- | --- | --- | --- |")
    for what, cpu in meter.cpu.items():
        print(f"| {what} | {cpu:.1f} | {1000 * cpu / frames:.1f} | {meter.wall[what]:.0f} |")
    print(f"| **all** | {total:.1f} | {1000 * total / frames:.1f} | {wall:.0f} |")
    reel = Path(outcome.folder)
    for name in ("archive.mkv", "finished.mkv", "viewing.mp4", "television.mp4"):
        print(f"{name}: {(reel / name).stat().st_size / 1e9:.2f} GB")
    captured = sum(path.stat().st_size for path in capture.iterdir())
    written = sum(p.stat().st_size for p in reel.rglob("*") if p.is_file() and "package" not in p.parts)
    print(
        f"captured {captured / 1e9:.2f} GB, written {written / 1e9:.2f} GB, peak memory {meter.peak_bytes / 1e9:.2f} GB"
    )
    a_frame = total / frames
    print(
        f"400 ft ({FEET_400} frames): {a_frame * FEET_400 / 3600:.1f} CPU hours, {written / frames * FEET_400 / 1e9:.0f} GB"
    )
    print(f"a night of 8 hours on two cores: {2 * NIGHT_S / a_frame:.0f} frames")


if __name__ == "__main__":
    main()
