"""MD5 of each stored frame as FFmpeg's framemd5 takes it: plane after plane, without the padding of the rows.

frame_md5s   film -> one MD5 a frame, in order

For comparing with an FFmpeg that is not ours; our own proof rests on SHA-256 of the samples.
"""

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.video_in import open_container, packets_of, picture_stream

_PACKED_BYTES = {"bgr0": 4, "rgb24": 3}


def frame_md5s(path: Path) -> Iterator[str]:
    """MD5 of every frame of a film of ours, as it is decoded.

    Raises
    ------
    MaterialError
        When the file can't be opened or holds no picture.

    Notes
    -----
    Source: definition (FFmpeg's framemd5, held against its command line in tests/prove/test_witness.py).
    """
    log = DecoderLog()
    with open_container(path, log) as container:
        stream = picture_stream(container, path)
        for packet in packets_of(container, stream, log):
            with log.listen():
                frames = packet.decode()
            for frame in frames:
                yield _md5(frame)


def _md5(frame: Any) -> str:
    total = hashlib.md5(usedforsecurity=False)
    name = str(frame.format.name)
    a_sample = 2 if max(component.bits for component in frame.format.components) > 8 else 1
    for plane in frame.planes:
        row = plane.width * _PACKED_BYTES.get(name, a_sample)
        data, step = memoryview(plane), plane.line_size
        if step == row:
            total.update(data[: row * plane.height])
            continue
        for y in range(plane.height):
            total.update(data[y * step : y * step + row])
    return total.hexdigest()
