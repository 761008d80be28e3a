"""Pictures and files for the tests of media, some written by hand from the standard's fields."""

import struct
from fractions import Fraction

import av
import numpy as np


def noise(height, width, bits, channels=3, *, seed=1):
    """Random codes that use the whole range."""
    shape = (height, width) if channels == 1 else (height, width, channels)
    kind = np.uint8 if bits == 8 else np.uint16
    return np.random.default_rng(seed).integers(0, 2**bits, shape).astype(kind)


def scene(height, width, number, *, seed=3):
    """A smooth 8-bit R G B picture that moves, for coders with loss."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    planes = [
        127 + 80 * np.sin((x + 3 * number) / (9 + c)) * np.cos((y - 2 * number) / (11 - c)) for c in range(3)
    ]
    grain = np.random.default_rng(seed + number).normal(0, 2, (height, width, 3))
    return np.clip(np.stack(planes, axis=2) + grain, 0, 255).astype(np.uint8)


def dpx_bytes(codes, bits, packing, end):
    """A DPX file from codes, by the fields of SMPTE ST 268 (from memory), independent of any library.

    `packing` 0 packed, 1 filled method A (codes at the top of the word), 2 method B (at the bottom).
    """
    height, width = codes.shape[:2]
    channels = 1 if codes.ndim == 2 else 3
    flat = codes.reshape(height, -1).astype(np.uint64)
    rows = []
    for row in flat:
        if bits == 16:
            rows.append(row.astype(end + "u2").tobytes())
        elif bits == 8:
            rows.append(row.astype("u1").tobytes())
        elif bits == 12 and packing in (1, 2):
            rows.append((row << (4 if packing == 1 else 0)).astype(end + "u2").tobytes())
        elif bits == 10 and packing in (1, 2):
            padded = np.concatenate([row, np.zeros(-len(row) % 3, np.uint64)]).reshape(-1, 3)
            if channels == 1:
                padded = padded[:, ::-1]  # one-channel words are filled from the bottom
            word = padded[:, 0] << 20 | padded[:, 1] << 10 | padded[:, 2]
            rows.append((word << (2 if packing == 1 else 0)).astype(end + "u4").tobytes())
        else:
            total = sum(int(code) << (bits * place) for place, code in enumerate(row))
            words = -(-len(row) * bits // 32)
            raw = total.to_bytes(words * 4, "little")
            rows.append(np.frombuffer(raw, "<u4").astype(end + "u4").tobytes())
    data = b"".join(rows)
    head = bytearray(2048)
    head[0:4] = b"SDPX" if end == ">" else b"XPDS"
    struct.pack_into(end + "I8sI", head, 4, 2048, b"V2.0", 2048 + len(data))
    struct.pack_into(end + "II", head, 24, 1664, 384)
    struct.pack_into(end + "HHII", head, 768, 0, 1, width, height)
    struct.pack_into(end + "II", head, 780, 0, 0)
    struct.pack_into(end + "BBBB", head, 800, 6 if channels == 1 else 50, 2, 2, bits)
    struct.pack_into(end + "HHIII", head, 804, packing, 0, 2048, 0, 0)
    struct.pack_into(end + "II", head, 1628, 1, 1)
    return bytes(head) + data


def plain_video(path, planes, *, codec, pixel_format, rate=Fraction(25), options=None, setup=None, form=None):
    """A video by another writer: lists of raw planes a frame, straight to FFmpeg's encoder."""
    with av.open(str(path), "w", format=form) as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        height, width = planes[0][0].shape[:2]
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.thread_count = 1
        if setup:
            setup(stream.codec_context)
        for number, parts in enumerate(planes):
            frame = av.VideoFrame(width, height, pixel_format)
            for plane, part in zip(frame.planes, parts):
                raw = np.ascontiguousarray(part).view(np.uint8).reshape(part.shape[0], -1)
                rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                rows[:, : raw.shape[1]] = raw
            frame.pts, frame.time_base = number, 1 / rate
            if setup:
                setup(frame)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path
