"""What a frame costs while a capture is followed: 1440 x 1080, 10-bit DPX, user processor time of one core.

python -m benchmarks.follow
"""

import os
import tempfile
from fractions import Fraction
from pathlib import Path

from smallgauge.analyse.meter import Meter
from smallgauge.analyse.rows import ChunkJob, analyse_chunk
from smallgauge.analyse.source import open_source
from smallgauge.analyse.survey import survey_frames, surveyed_capture
from smallgauge.crew import prepare_kernels
from smallgauge.demo import write_specimen
from smallgauge.media.arriving import Arrivals
from smallgauge.media.picture_in import open_picture
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.record.work import silent

FRAMES = 24


def main() -> None:
    prepare_kernels()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "reel"
        truth = specimen_truth(
            "super 8", width=1440, height=1080, frames=FRAMES, seed=7, bits=10, code_values="log"
        )
        write_specimen(folder, truth, format="dpx", sound=False, processes=1)
        source = open_source(folder)
        capture = surveyed_capture(source, survey_frames(source, progress=silent), program="benchmark")
        job = ChunkJob(
            folder=place,
            listing=source.listing,
            capture=capture,
            first=0,
            stop=FRAMES,
            rate=Fraction(18),
            archive=False,
        )
        analyse_chunk(job, lambda done: None)  # kernels are compiled
        print("| what | user ms a frame | frames a second, one core | two free cores |\n|---|---|---|---|")
        begin = os.times().user
        analyse_chunk(job, lambda done: None)
        _tell("rows of a chunk: read, measured, compared, digested", begin)
        begin = os.times().user
        analyse_chunk(
            ChunkJob(
                **{name: getattr(job, name) for name in job.__slots__} | {"archive": True, "rows": False}
            ),
            lambda done: None,
        )
        _tell("archive segment of a chunk, by itself", begin)
        meter = Meter(capture)
        begin = os.times().user
        with open_picture(source.listing) as reader:
            for number in range(FRAMES):
                meter.forget()
                meter.measure(number, reader.read(number))
        _tell("a frame measured by itself", begin)
        arrivals = Arrivals(folder)
        begin = os.times().user
        arrivals.look(0.0)
        arrivals.look(1.0)
        _tell("a frame counted, its file looked at", begin)


def _tell(what: str, begin: float) -> None:
    cost = (os.times().user - begin) / FRAMES
    if cost < 0.001:
        print(f"| {what} | under 1 | | |")
    else:
        print(f"| {what} | {1000 * cost:.0f} | {1 / cost:.0f} | {2 / cost:.0f} |")


if __name__ == "__main__":
    main()
