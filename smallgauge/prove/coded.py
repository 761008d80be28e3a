"""How a copy is coded, against what was ordered: coding and colour, key frames, time code, the list of its frames."""

import csv
from fractions import Fraction
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.gauge.timecode import time_code_after
from smallgauge.media.copy_out import CODERS
from smallgauge.media.film_in import FilmReader
from smallgauge.media.time_code_track import read_time_code
from smallgauge.prove.bench import Bench
from smallgauge.record.capture import Capture
from smallgauge.record.finding import Finding
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.ordered import LIST_HEAD, list_of_frames, told_scene
from smallgauge.record.rendertable import RENDER_COLUMNS, CopySummary
from smallgauge.record.table import Table, read_table

_BT709_LIMITED = (1, 1, 1, 1)
_BY_READER, _BY_BOXES = "container and decoder", "own reader of the container's boxes"


def check_coding(bench: Bench, copy: CopySummary, film: FilmReader) -> None:
    """Codec, profile, pixel format, sample entry, colour tags, square pixels and sound, as the coding says."""
    coder, coded = CODERS[copy.coding], film.coded
    needed = [coder.codec, coder.profile, coder.pixel_format, coder.tag, "BT.709 limited", "square pixels"]
    found = [
        coded.codec,
        coded.profile,
        coded.pixel_format,
        coded.tag,
        "BT.709 limited" if coded.colour == _BT709_LIMITED else f"colour tags {coded.colour}",
        "square pixels" if coded.square else "pixels not square",
    ]
    if film.sound_codec:
        needed.append(coder.sound)
        found.append(film.sound_codec)
    bench.equal("coding", copy.file, ", ".join(needed), ", ".join(found), "coding differs", _BY_READER)
    if coder.every_key:
        bench.count("key frames", copy.file, film.count, film.packets.keys, "container")
        if film.packets.keys != film.count:
            values: dict[str, object] = {"file": copy.file, "needed": film.count, "found": film.packets.keys}
            bench.findings.append(Finding(code="key frames lacking", where=copy.file, values=values))


def check_time_code(bench: Bench, copy: CopySummary) -> None:
    """The track of time code: first number, rate without dropped numbers, as long as the picture."""
    if not copy.time_code:
        return
    read = read_time_code(bench.folder / copy.file)
    needed = f"{copy.time_code} at {copy.rate}, {copy.frames} frames"
    found = "none"
    if read is not None:
        found = (
            f"{read.first} at {read.rate}, {read.frames} frames{', numbers dropped' if read.drops else ''}"
        )
    bench.equal("time code", copy.file, needed, found, "time code differs", _BY_BOXES)


def check_list(
    bench: Bench, copy: CopySummary, rows: Table, capture: Capture, titles: tuple[str, ...]
) -> None:
    """The list of frames beside an editing copy, row by row against the tables."""
    if not copy.time_code:
        return
    name = list_of_frames(copy.file)
    path = bench.folder / name
    wanted = _list(bench.folder, copy, rows, capture, titles)
    try:
        with path.open(encoding="utf-8", newline="") as file:
            found = [tuple(row) for row in csv.reader(file)]
    except (OSError, UnicodeDecodeError, csv.Error):
        found = []
    good = sum(a == b for a, b in zip(wanted, found))
    passed = good if len(found) == len(wanted) else min(good, len(wanted) - 1)
    bench.count("list of frames", name, len(wanted), passed, "row by row, from the tables")
    if passed != len(wanted):
        first = next(
            (n for n, (a, b) in enumerate(zip(wanted, found)) if a != b), min(len(wanted), len(found))
        )
        values: dict[str, object] = {"file": name, "row": first}
        bench.findings.append(Finding(code="list of frames differs", where=name, values=values))


def _list(
    folder: Path, copy: CopySummary, rows: Table, capture: Capture, titles: tuple[str, ...]
) -> list[tuple[str, ...]]:
    """What the list must say, from the tables alone."""
    render = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    keys = zip(frames["capture"].tolist(), frames["frame"].tolist(), strict=True)
    if len(capture.files) != len(frames) or Fraction(copy.rate).denominator != 1:
        raise MaterialError(
            f"The list of frames needs a name for each of {len(frames)} captured frames and a whole rate, found "
            f"{len(capture.files)} names and {copy.rate}; run render again, then prove."
        )
    names = {key: file.name for key, file in zip(keys, capture.files, strict=True)}
    columns = ("finished_frame", "film_position", "source_capture", "source_frame", "kind", "scene")
    told = list(zip(*(render[column].tolist() for column in columns), strict=True))
    out: list[tuple[str, ...]] = [LIST_HEAD]
    for number, shown in enumerate(rows["finished_frame"].tolist()):
        finished, position, source, frame, kind, scene = told[shown]
        code = time_code_after(copy.time_code, number, rate=int(copy.rate))
        numbers = [str(n) for n in (finished, position, source, frame)]
        out.append((str(number), code, *numbers, names[source, frame], kind, *told_scene(scene, titles)))
    return out
