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
from smallgauge.record.material import PACK_FOLDER


def test_the_pack_shows_the_captured_frames(tmp_path):
    truth = specimen_truth("super 8", width=256, height=192, frames=12, bits=8, seed=5)
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
    assert (pack.head.capture, pack.head.count) == (capture.digest, 12)
    assert sorted(p.name for p in (folder / PACK_FOLDER).iterdir()) == ["frames.idx", "frames.pack"]
    with open_picture(list_capture(folder / "archive.mkv")) as reader:
        for number in range(12):
            seen = imagecodecs.jpeg8_decode(pack.jpeg(number)).astype(float)
            alike = [np.corrcoef(seen.ravel(), reader.read(n).samples.ravel())[0, 1] for n in range(12)]
            own = alike.pop(number)
            assert own > 0.9 and own > max(alike) + 0.1, (number, own, alike)
