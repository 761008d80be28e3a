"""Single faults in a package, each a function that does it to a copy: what the campaign draws from.

A *sealed* fault has the list of digests and the packed proof written anew, as somebody would who wants it not to be
seen, or as a program would that made the wrong file: digests alone don't find it.
"""

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path

import numpy as np

from smallgauge.media.digest import digest_frame
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import create_lossless, create_viewing, join_segments
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.rendertable import COPY_COLUMNS, RENDER_COLUMNS
from smallgauge.record.table import read_table, write_table

LATER = "For later"


@dataclass(frozen=True)
class Fault:
    """What kind, on which file, and the doing of it."""

    kind: str
    file: str
    do: Callable[[Path], None]


def files_of(package: Path) -> list[str]:
    """Every file of a package by its place."""
    return sorted(p.relative_to(package).as_posix() for p in package.rglob("*") if p.is_file())


def flip(path: Path, bit: int) -> None:
    """Turn one bit."""
    data = bytearray(path.read_bytes())
    data[bit // 8] ^= 1 << (bit % 8)
    path.write_bytes(data)


def truncate(path: Path, size: int) -> None:
    """Cut a file short."""
    path.write_bytes(path.read_bytes()[:size])


def swap(package: Path, one: str, two: str) -> None:
    """Let two files change places."""
    aside = package.parent / "aside"
    (package / one).rename(aside)
    (package / two).rename(package / one)
    aside.rename(package / two)


def add(package: Path, place: str) -> None:
    """Put a file there that does not belong."""
    path = package / place
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"not ours")


def seal(package: Path) -> None:
    """Write the packed proof's digests and the list anew, so that both agree with the files as they are."""
    paper = package / LATER / "proof.json"
    proof = json.loads(paper.read_text(encoding="utf-8"))
    for file in proof["files"]:
        path = package / LATER / file["name"]
        if path.is_file():
            file["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
            file["bytes"] = path.stat().st_size
        elif file["name"] == "television.mp4":
            watched = next((package / "Watch these").glob("*.mp4"))
            file["sha256"] = hashlib.sha256(watched.read_bytes()).hexdigest()
    paper.write_text(json.dumps(proof), encoding="utf-8")
    lines = [
        f"{hashlib.sha256((package / place).read_bytes()).hexdigest()}  {place}\n"
        for place in files_of(package)
        if place != "SHA256SUMS"
    ]
    (package / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")


def edit_table(package: Path, name: str, change: Callable[[dict[str, np.ndarray]], None]) -> None:
    """Change a table, and seal the package."""
    columns, title = {
        "render.parquet": (RENDER_COLUMNS, "render"),
        "frames.parquet": (FRAME_COLUMNS, "frames"),
        "copies.parquet": (COPY_COLUMNS, "copies"),
    }[name]
    path = package / LATER / name
    table = read_table(path, columns, title)
    values = {key: column.copy() for key, column in table.values.items()}
    change(values)
    write_table(path, replace(table, values=values))
    seal(package)


def rewrite_film(package: Path, name: str, change: Callable[[list[np.ndarray]], None]) -> None:
    """A lossless film coded anew with other frames, its table with it where it is the finished one; sealed."""
    path = package / LATER / name
    with read_film(path) as film:
        frames = [np.array(frame) for frame in film.frames()]
        rate, bits, tags = film.rate, film.bits, film.tags
    change(frames)
    height, width = frames[0].shape[:2]
    draft = package.parent / "draft.mkv"
    with create_lossless(draft, width=width, height=height, bits=bits, layout="rgb", rate=rate) as writer:
        for frame in frames:
            writer.write(frame)
    join_segments([draft], path, rate=rate, frame_counts=[len(frames)], tags=tags)
    draft.unlink()
    if name == "finished.mkv":
        digests = [digest_frame(frame, bits) for frame in frames]

        def write(values: dict[str, np.ndarray]) -> None:
            values["digest"] = np.array(digests, object)

        edit_table(package, "render.parquet", write)
    seal(package)


def rewrite_copy(package: Path, change: Callable[[list[np.ndarray]], None]) -> None:
    """The viewing copy coded anew with other frames; sealed."""
    path = package / LATER / "viewing.mp4"
    with read_film(path) as film:
        frames, rate = [np.array(frame) for frame in film.frames()], Fraction(film.rate)
    change(frames)
    height, width = frames[0].shape[:2]
    draft = package.parent / "draft.mp4"
    with create_viewing(draft, width=width, height=height, rate=rate, preset="veryfast") as writer:
        for frame in frames:
            writer.write(frame)
    shutil.move(draft, path)
    seal(package)


def neighbour(number: int, step: int) -> Callable[[list[np.ndarray]], None]:
    """Frame `number` is that beside it."""

    def change(frames: list[np.ndarray]) -> None:
        frames[number] = frames[number + step]

    return change


def left_out(number: int) -> Callable[[list[np.ndarray]], None]:
    """Frame `number` is not there, the last one twice: the count agrees."""

    def change(frames: list[np.ndarray]) -> None:
        frames.append(frames[-1])
        del frames[number]

    return change


def draw_file_faults(package: Path, chance: np.random.Generator) -> list[Fault]:
    """Faults that digests must find: on every file of the package."""
    faults: list[Fault] = []
    places = files_of(package)
    for place in places:
        size = (package / place).stat().st_size
        bits = [3, 8 * (size - 1) + 1, *(int(chance.integers(0, 8 * size)) for _ in range(4))]
        faults += [Fault("flip", place, lambda p, place=place, bit=bit: flip(p / place, bit)) for bit in bits]
        for left in (size - 1, int(chance.integers(0, max(1, size - 1)))):
            faults.append(
                Fault("truncate", place, lambda p, place=place, left=left: truncate(p / place, left))
            )
        faults.append(Fault("remove", place, lambda p, place=place: (p / place).unlink()))
    for place in ("extra.txt", "For later/.hidden", "Pictures/deep/er/extra.jpg", "Watch these/another.mp4"):
        faults.append(Fault("add", place, lambda p, place=place: add(p, place)))
    names = [place for place in places if place != "SHA256SUMS"]
    for _ in range(25):
        one, two = (names[n] for n in chance.choice(len(names), 2, replace=False))
        faults.append(Fault("swap", one, lambda p, one=one, two=two: swap(p, one, two)))
    return faults


def draw_sealed_faults(frames: int, chance: np.random.Generator) -> list[Fault]:
    """Faults that no digest finds, in a silent reel of so many frames."""
    faults: list[Fault] = []

    def number() -> int:
        return int(chance.integers(1, frames - 1))

    for step in (-1, 1, -1, 1, -1, 1):
        for film in ("finished.mkv", "archive.mkv"):
            change = neighbour(number(), step)
            faults.append(Fault("neighbour", film, partial(rewrite_film, name=film, change=change)))
        change = neighbour(number(), step)
        faults.append(Fault("neighbour", "viewing.mp4", partial(rewrite_copy, change=change)))
    for _ in range(2):
        change = left_out(number())
        faults.append(
            Fault("left out", "finished.mkv", partial(rewrite_film, name="finished.mkv", change=change))
        )
        faults.append(Fault("left out", "viewing.mp4", partial(rewrite_copy, change=left_out(number()))))
    edits: list[tuple[str, str, object]] = [
        ("render.parquet", "source_frame", 1),
        ("render.parquet", "source_frame", -1),
        ("render.parquet", "c", 3.0),
        ("render.parquet", "f", -2.0),
        ("render.parquet", "digest", "0" * 64),
        ("copies.parquet", "finished_frame", 1),
        ("copies.parquet", "finished_frame", -1),
    ]
    for name, column, by in edits * 3:
        row = number()

        def edit(values, column=column, by=by, row=row):
            values[column][row] = by if isinstance(by, str) else values[column][row] + by

        faults.append(Fault(f"edit {column}", name, partial(edit_table, name=name, change=edit)))
    return faults
