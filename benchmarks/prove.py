"""What the proof costs of its own: all CPU less the bare decoding and one SHA-256 a frame of the lossless films.

    python -m benchmarks.prove FOLDER [FRAMES] [--bits 10] [--counted]

draws a reel of 2048 x 1536 into FOLDER once (24 frames unless said, 10-bit DPX, striped), takes it through the line, and
proves it again in this process, alone, three times. CPU is user and system time of this process, the least of three. It is
a small difference of large figures: measure on a machine that does nothing else. The bar is 30 ms a frame.

With --counted one proof is watched by the interpreter's own profiler on the clock of CPU time, and each part is told as it was
spent: no difference of large figures, but all that shares the machine's caches with others counts as it came. The profiler
itself adds some 2 ms a frame. What belongs to the reel and not to a frame (files opened, the first frame of each decoded once
more to learn its form, the sound) stands beside it.
"""

import argparse
import cProfile
import hashlib
import pstats
import time
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np

from benchmarks.finished_reel import reel_in
from smallgauge.crew import Crew
from smallgauge.media.picture_in import list_capture
from smallgauge.picture import kernels_follow, kernels_proof
from smallgauge.prove.fixity import expected_digests
from smallgauge.prove.reel import make_proof
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.journal import Journal

LOSSLESS, COPIES = ("archive.mkv", "finished.mkv"), ("viewing.mp4", "television.mp4")
BAR_MS, RUNS = 30.0, 3


def cpu_of(work: Callable[[], object]) -> float:
    """CPU seconds of this process for a piece of work: the least of a few runs, for what else the machine does only adds."""
    used = []
    for _ in range(RUNS):
        begin = time.process_time()
        work()
        used.append(time.process_time() - begin)
    return min(used)


def bare_decode(path: Path) -> None:
    """Every frame of picture and sound decoded, nothing looked at."""
    with av.open(str(path)) as container:
        streams = [*container.streams.video, *container.streams.audio]
        for stream in streams:
            stream.codec_context.thread_count = 1
        for packet in container.demux(*streams):
            packet.decode()


Parts = dict[
    tuple[str, int, str],
    tuple[int, int, float, float, dict[tuple[str, int, str], tuple[int, int, float, float]]],
]
DECODE, UPDATE, OPEN = "decode' of 'av.packet.Packet", "update' of '_hashlib.HASH", "av.container.core.open"


def counted(prove: Callable[[], None], frames: int) -> None:
    """One proof, its CPU told by its parts."""
    profile = cProfile.Profile(time.process_time)
    begin = time.process_time()
    profile.runcall(prove)
    whole = time.process_time() - begin
    parts: Parts = pstats.Stats(profile).stats  # type: ignore[attr-defined]

    def own(words: str, caller: str = "") -> float:
        """Seconds within functions so named, called by others so named."""
        return sum(
            sum(each[2] for key, each in part[4].items() if caller in key[2])
            for name, part in parts.items()
            if words in name[2]
        )

    def inside(words: str, caller: str = "") -> float:
        """Seconds within them and what they call."""
        return sum(
            sum(each[3] for key, each in part[4].items() if caller in key[2])
            for name, part in parts.items()
            if words == name[2]
        )

    first = own(DECODE, "_first_frame")
    packets = sum(inside("packets_of", name) for name in ("_numbered", "sound_blocks", "_first_frame"))
    bare = own(DECODE) - first + packets + own(UPDATE, "digest_bands")
    reel = first + own(OPEN) + inside("hear_film") + inside("check_taken")
    rows = [
        ("all of it", whole),
        ("packets read and decoded", own(DECODE) - first + packets),
        ("one SHA-256 of each lossless frame", own(UPDATE, "digest_bands")),
        ("the proof's own", whole - bare),
        ("of it for the reel", reel),
        ("of it whole files hashed", own(UPDATE, "digests_file") + own("readinto")),
        ("of it CRC-32 of the containers", inside("_go_on")),
        ("of it packets counted", inside("walk_packets")),
        ("of it planes laid to pixels", inside("picture_samples") + own("lay_planes", "picture_bands")),
        ("of it small pictures compared", inside("measure_fit")),
        ("of it the still background", inside("measure_background") + inside("make_background_picture")),
        ("of it copies' light and levels", inside("measure_delivered")),
        ("the proof's own, but for what is the reel's", whole - bare - reel),
    ]
    print("| counted | CPU s | CPU ms a frame |\n| --- | --- | --- |")
    for what, used in rows:
        print(f"| {what} | {used:.2f} | {1000 * used / frames:.1f} |")


def main() -> None:
    """Draw, prove, print."""
    words = argparse.ArgumentParser(prog="python -m benchmarks.prove")
    words.add_argument("folder", type=Path)
    words.add_argument("frames", type=int, nargs="?", default=24)
    words.add_argument("--bits", type=int, default=10)
    words.add_argument("--counted", action="store_true")
    asked = words.parse_args()
    frames = asked.frames
    reel = reel_in(asked.folder, frames, size=(2048, 1536), bits=asked.bits)
    kernels_proof.warm()
    kernels_follow.warm()
    capture = read_json(reel / "capture.json", Capture)
    rows = []

    def prove() -> None:
        with Crew(1) as crew:
            proof = make_proof(
                reel,
                source=None,
                capture=capture,
                expected=expected_digests(reel, Journal(reel)),
                runner=crew,
                progress=lambda what, done, of: None,
            )
        assert proof.good

    prove()  # libraries are loaded now
    if asked.counted:
        counted(prove, frames)
        return
    whole = cpu_of(prove)
    rows.append(("all of it", whole))
    for name in (*LOSSLESS, *COPIES):
        rows.append((f"bare decode of {name}", cpu_of(lambda name=name: bare_decode(reel / name))))  # type: ignore[misc]
    for name in LOSSLESS:
        with av.open(str(reel / name)) as container:
            context = container.streams.video[0].codec_context
            picture = np.ones((context.height, context.width, 3), "<u2").tobytes()
        used = cpu_of(lambda data=picture: [hashlib.sha256(data).digest() for _ in range(frames)])  # type: ignore[misc]
        rows.append((f"one SHA-256 a frame of {name}", used))
    listed = cpu_of(lambda: [list_capture(reel / name) for name in (*LOSSLESS, *COPIES)])
    rows.append(("the four files listed, one frame of each decoded (for a reel, not for a frame)", listed))
    own = whole - sum(used for _, used in rows[1:])
    rows.append(("the proof's own, but for that", own))
    print(f"{frames} frames of {capture.width} x {capture.height}; CPU of one process")
    print("| work | CPU s | CPU ms a frame |\n| --- | --- | --- |")
    for what, used in rows:
        print(f"| {what} | {used:.2f} | {1000 * used / frames:.1f} |")
    print(f"bar: {BAR_MS:.0f} ms a frame; found {1000 * own / frames:.1f}")


if __name__ == "__main__":
    main()
