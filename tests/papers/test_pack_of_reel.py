"""`analyse` makes the proxy pack from the frames that it reads anyway."""

import imagecodecs
import numpy as np

from smallgauge.analyse.reel import analyse_reel
from smallgauge.analyse.source import open_source
from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.media.pack import open_pack
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.record.journal import Journal
from smallgauge.record.light import table_for
from smallgauge.record.material import PACK_FOLDER


def test_the_pack_shows_the_captured_frames(tmp_path):
    truth = specimen_truth("super 8", width=256, height=192, frames=6, bits=8, seed=5)
    write_specimen(tmp_path / "capture", truth, format="png", sound=False, processes=1)
    folder = tmp_path / "reel"
    (folder / "work").mkdir(parents=True)
    with Crew(1) as crew:
        capture, _ = analyse_reel(
            folder,
            source=open_source(tmp_path / "capture"),
            journal=Journal(folder),
            runner=crew,
            progress=lambda *told: None,
        )
    pack = open_pack(folder / PACK_FOLDER)
    assert (pack.head.capture, pack.head.count) == (capture.digest, 6)
    assert sorted(p.name for p in (folder / PACK_FOLDER).iterdir()) == ["frames.idx", "frames.pack"]
    table = table_for(capture.light, capture.encoding)
    with open_picture(list_capture(folder / "archive.mkv")) as reader:
        light = [table[reader.read(n).samples] for n in range(6)]
    shown = [
        255 * np.clip(each, 0, 1) ** (1 / 2.4) for each in light
    ]  # docs/conventions.md: light = code^2.4
    for number in range(6):
        seen = imagecodecs.jpeg8_decode(pack.jpeg(number)).astype(float)
        apart = [np.abs(seen - each).mean() for each in shown]
        assert apart[number] < 4 and int(np.argmin(apart)) == number, (number, apart)
