"""Film frames found in a video that repeats them to its own rate, against FFmpeg's decimate.

Run `python -m benchmarks.recovery [pictures]`. Drawn films, live and on a tripod, are laid to 25 pictures a
second by the even repeat, as frames or as interlaced fields, clean or through a consumer coder; the share of
film frames that come out once and only once is printed for the program, for a plain threshold on the
difference (the best that the truth allows) and, where the film's rate is known to it, for decimate.
"""

import hashlib
import sys
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from benchmarks.completeness import STILL
from smallgauge.picture.recovery import RecoveryMeter, find_cadence
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, draw_frame, specimen_truth

Codes = NDArray[np.uint8]
SIZE = (512, 384)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One sort of video."""

    name: str
    rate: Fraction = Fraction(18)
    picture_rate: Fraction = Fraction(25)
    tripod: bool = False
    kbit: int = 0  # of MPEG-4 part 2; 0: not compressed
    offset: Fraction = Fraction(0)  # phase at which the film begins, in film frames
    fields: bool = False  # interlaced: the picture rate is that of the fields


def film_of(kind: Kind, frames: int, seed: int) -> ReelTruth:
    """The film: three scenes."""
    scenes = tuple(
        SceneTruth(kind=name, first=first, stop=first + frames // 3 + 1, begins_s=float(seed))  # type: ignore[arg-type]
        for name, first in zip(("garden", "birthday", "sea"), range(0, frames, frames // 3 + 1), strict=False)
    )
    rate = STILL if kind.tripod else kind.rate
    return specimen_truth(
        "super 8", width=SIZE[0], height=SIZE[1], frames=frames, seed=seed, scenes=scenes, camera_rate=rate
    )


def shown_of(kind: Kind, pictures: int) -> NDArray[np.int64]:
    """Film frame that each picture of the video shows."""
    step = kind.rate / kind.picture_rate
    return np.array([int(n * step + kind.offset) for n in range(pictures)])


def display_of(truth: ReelTruth, number: int, random: np.random.Generator) -> Codes:
    """One capture of a film frame by a video camera: cut to the picture, 8 bits, noise of its own."""
    samples = draw_frame(truth, number).samples
    assert samples is not None
    light = samples[:, SIZE[0] // 4 :].astype(np.float32) / 65535
    codes = np.clip(light, 0, 1) ** (1 / 2.2) * 255 + random.normal(0, 1.0, light.shape)
    return np.clip(codes + 0.5, 0, 255).astype(np.uint8)


def through_coder(pictures: list[Codes], kbit: int, rate: Fraction) -> list[Codes]:
    """The pictures after MPEG-4 part 2 at a bit rate, decoded."""
    import io

    import av

    data = io.BytesIO()
    with av.open(data, "w", format="avi") as out:
        stream = out.add_stream("mpeg4", rate=rate)
        stream.height, stream.width = pictures[0].shape[:2]
        stream.pix_fmt, stream.bit_rate = "yuv420p", kbit * 1000
        for picture in pictures:
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    data.seek(0)
    with av.open(data) as back:
        return [frame.to_ndarray(format="rgb24") for frame in back.decode(video=0)]


def woven(fields: list[Codes]) -> list[Codes]:
    """Interlaced frames of fields, the upper one first; a field keeps every second row of its picture."""
    frames = []
    for upper, lower in zip(fields[::2], fields[1::2], strict=False):
        frame = upper.copy()
        frame[1::2] = lower[1::2]
        frames.append(frame)
    return frames


def split(frames: list[Codes]) -> list[Codes]:
    """The fields of interlaced frames, in order of time."""
    return [frame[first::2] for frame in frames for first in (0, 1)]


def measured(pictures: list[Codes]) -> dict[str, NDArray[np.float64]]:
    """Columns of a video."""
    meter = RecoveryMeter(pictures[0].shape[1], pictures[0].shape[0])
    rows = [meter.measure(picture[:, :, 1].astype(np.float32) / 255) for picture in pictures]
    return {name: np.array([getattr(row, name) for row in rows]) for name in type(rows[0]).__slots__}


def share_right(new: NDArray[np.bool_], shown: NDArray[np.int64]) -> float:
    """Share of the film frames of which exactly one picture is taken."""
    taken = np.bincount(shown[new], minlength=int(shown.max()) + 1)
    return float(np.mean(taken[np.unique(shown)] == 1))


def best_threshold(series: NDArray[np.float64], shown: NDArray[np.int64]) -> float:
    """The same for the best single threshold on a difference."""
    best = 0.0
    for level in np.unique(np.nanquantile(series, np.linspace(0, 1, 400))):
        new = series >= level
        new[0] = True
        best = max(best, share_right(new, shown))
    return best


def by_decimate(pictures: list[Codes], kind: Kind, shown: NDArray[np.int64]) -> float:
    """FFmpeg's decimate, told how many of how many pictures to drop; NaN where it can't say it (one a cycle)."""
    import av

    step = kind.rate / kind.picture_rate
    dropped = 1 - step
    if dropped.numerator != 1:
        return float("nan")
    graph = av.filter.Graph()
    height, width = pictures[0].shape[:2]
    rate = kind.picture_rate
    size = f"video_size={width}x{height}:pix_fmt=yuv420p:time_base={1 / rate}:frame_rate={rate}"
    source = graph.add("buffer", size)
    drop, sink = graph.add("decimate", f"cycle={dropped.denominator}"), graph.add("buffersink")
    source.link_to(drop)
    drop.link_to(sink)
    graph.configure()
    kept: list[int] = []
    number_of: dict[bytes, int] = {}

    def digest(frame: av.VideoFrame) -> bytes:
        return hashlib.sha256(frame.to_ndarray(format="yuv420p").tobytes()).digest()

    def pull() -> None:
        while True:
            try:
                kept.append(number_of[digest(graph.pull())])  # its stamps are new ones
            except (av.error.BlockingIOError, av.error.EOFError):
                return

    for n, picture in enumerate(pictures):
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="yuv420p")
        frame.pts, frame.time_base = n, 1 / kind.picture_rate
        number_of[digest(frame)] = n
        graph.push(frame)
        pull()
    graph.push(None)
    pull()
    new = np.zeros(len(pictures), np.bool_)
    new[[k for k in kept if k < len(pictures)]] = True
    return share_right(new, shown)


KINDS = (
    Kind(name="18 in 25"),
    Kind(name="18 in 25, tripod", tripod=True),
    Kind(name="18 in 25, tripod, 1.5 Mbit/s", tripod=True, kbit=1500),
    Kind(name="18 in 25, live, 1.5 Mbit/s", kbit=1500),
    Kind(
        name="16 in 25, tripod, 1.5 Mbit/s", rate=Fraction(16), tripod=True, kbit=1500, offset=Fraction(1, 3)
    ),
    Kind(name="50/3 in 25, tripod, 1.5 Mbit/s", rate=Fraction(50, 3), tripod=True, kbit=1500),
    Kind(name="20 in 25, tripod, 1.5 Mbit/s", rate=Fraction(20), tripod=True, kbit=1500),
    Kind(name="24 in 25, tripod, 1.5 Mbit/s", rate=Fraction(24), tripod=True, kbit=1500),
    Kind(name="18 in 50 fields, live", picture_rate=Fraction(50), fields=True),
    Kind(name="18 in 50 fields, tripod", picture_rate=Fraction(50), fields=True, tripod=True),
    Kind(
        name="50/3 in 50 fields, tripod, 3 Mbit/s",
        rate=Fraction(50, 3),
        picture_rate=Fraction(50),
        fields=True,
        tripod=True,
        kbit=3000,
    ),
    Kind(name="24 in 30, tripod", rate=Fraction(24), picture_rate=Fraction(30), tripod=True),
    Kind(name="25 in 25 (no repeats), tripod, 1.5 Mbit/s", rate=Fraction(25), tripod=True, kbit=1500),
)


def main() -> None:
    """Print the table."""
    import time

    pictures = int(sys.argv[1]) if len(sys.argv) > 1 else 250
    print("film frames that come out exactly once: program, best threshold on the difference, decimate")
    for seed, kind in enumerate(KINDS):
        shown = shown_of(kind, pictures)
        truth = film_of(kind, int(shown.max()) + 2, seed + 31)
        random = np.random.default_rng(seed)
        video = [display_of(truth, int(film), random) for film in shown]
        if kind.fields:
            video = woven(video)
        if kind.kbit:
            video = through_coder(video, kind.kbit, kind.picture_rate / (2 if kind.fields else 1))
        if kind.fields:
            video = split(video)
            shown = shown[: len(video)]
        began = time.process_time()
        columns = measured(video)
        cost = (time.process_time() - began) / len(video)
        columns.pop("strength")
        cadence = find_cadence(**columns, picture_rate=kind.picture_rate)
        decimated = float("nan") if kind.fields else by_decimate(video, kind, shown)
        print(
            f"{kind.name:44} {cadence.rate or 'none'} {share_right(cadence.new, shown):.4f} "
            f"{best_threshold(columns['change'], shown):.4f} {decimated:.4f} "
            f"lead {cadence.lead:.3f} fit {cadence.fit:.3f} {1000 * cost:.1f} ms {cadence.reason}",
            flush=True,
        )


if __name__ == "__main__":
    main()
