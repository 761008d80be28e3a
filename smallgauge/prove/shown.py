"""What each frame shows, by small pictures: kept on the disk while files are decoded, compared when the next one is.

SmallStore, SmallWriter  reduced frames, by which a finished frame is found in its source and a copy's in its finished frame
TileFile                 mean colours of parts of the finished frames, by which a copy's are compared
Fitter                   compares the frames of one job
judge                    fits of a file -> what each frame shows

A frame of the archive copy is reduced when it is decoded, and so is a finished frame; no file is decoded twice. The
small pictures lie in a scratch folder outside all that is proved, and are gone afterwards.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.resample import Move
from smallgauge.picture.source_fit import (
    ALIKE,
    ANOTHER,
    ELSEWHERE,
    NOT_TOLD,
    SHOWN,
    LaidPictures,
    find_shown,
    measure_fit,
)
from smallgauge.record.finding import Finding
from smallgauge.record.rendertable import CopySummary
from smallgauge.record.table import Table

Numbers = tuple[float, float, float, float, float, float]
_NEAR = 8  # small pictures at hand: a frame's, its neighbours' in the capture and in the finished film
_MOST_TOLD = 20  # frames named one by one; the count is in the check


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallStore:
    """Small pictures of the frames of one file: codes brought to 16 bits, block means."""

    path: Path
    block: int
    scale: float  # a code times this is the stored number

    def open(self) -> NDArray[np.uint16]:
        """The pictures, (frames, rows, columns), on the disk."""
        return np.lib.format.open_memmap(self.path, mode="r")  # type: ignore[no-any-return,no-untyped-call]


def make_store(
    folder: Path, name: str, *, frames: int, width: int, height: int, bits: int, block: int
) -> SmallStore:
    """An empty store in the scratch folder."""
    store = SmallStore(
        path=folder / f"{name}.npy", block=block, scale=65535.0 if bits == 32 else 2.0 ** (16 - bits)
    )
    shape = (frames, max(1, height // block), max(1, width // block))
    np.lib.format.open_memmap(store.path, mode="w+", dtype=np.uint16, shape=shape)  # type: ignore[no-untyped-call]
    return store


class SmallWriter:
    """Puts small pictures into a store, each into its own bytes of the file.

    So several may write at once, on other computers too: of a file that is mapped into memory whole pages would go back, and with
    them what another has written beside.
    """

    def __init__(self, store: SmallStore) -> None:
        self.scale = np.float32(store.scale)
        laid = store.open()
        self.begins: int = laid.offset  # type: ignore[attr-defined]
        self.each = laid[0].nbytes
        self.file = store.path.open("r+b")

    def keep(self, number: int, small: NDArray[np.float32]) -> None:
        """A frame's small picture into its place."""
        codes = np.clip(small * self.scale + np.float32(0.5), 0, 65535).astype("<u2")
        self.file.seek(self.begins + number * self.each)
        self.file.write(codes.tobytes())

    def close(self) -> None:
        """Let the file have all of it."""
        self.file.close()


class TileFile:
    """Tiles of frames on the disk, put there one stretch after the other; what is asked for is read, and nothing is kept.

    Not mapped into memory: pages that were looked at would stay there.

    Examples
    --------
    >>> import tempfile
    >>> tiles = TileFile(Path(tempfile.mkdtemp()) / "tiles", (1, 2))
    >>> tiles.add(np.arange(12, dtype=np.float32).reshape(2, 1, 2, 3))
    >>> len(tiles), tiles[np.array([1, 0])][:, 0, 0, 0].tolist(), float(tiles[5][0, 0, 0])
    (2, [6.0, 0.0], nan)
    """

    def __init__(self, path: Path, shape: tuple[int, int]) -> None:
        self.path, self.shape = path, shape
        self._count = 0
        path.write_bytes(b"")

    def __len__(self) -> int:
        """Frames so far."""
        return self._count

    def add(self, tiles: NDArray[np.float32]) -> None:
        """The next frames, (frames, rows, columns, 3)."""
        with self.path.open("ab") as file:
            file.write(np.ascontiguousarray(tiles, np.float32).tobytes())
        self._count += len(tiles)

    def __getitem__(self, frames: int | NDArray[np.integer]) -> NDArray[np.float32]:
        """Tiles of a frame, or of several in any order; NaN of one that is not there."""
        numbers, each = np.atleast_1d(frames), (*self.shape, 3)
        out = np.full((len(numbers), *each), np.nan, np.float32)
        length = out[:1].nbytes
        with self.path.open("rb") as file:
            for place, number in enumerate(numbers.tolist()):
                if 0 <= number < self._count:
                    file.seek(number * length)
                    out[place] = np.frombuffer(file.read(length), np.float32).reshape(each)
        return out if np.ndim(frames) else out[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitRow:
    """One frame: the captured frame that it is to show and its move, and frames that it could show instead."""

    capture: int
    frame: int
    move: Numbers
    others: tuple[tuple[int, int, tuple[Numbers, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitJob:
    """What some frames are compared with."""

    stores: Mapping[int, SmallStore]
    rows: tuple[FitRow, ...]
    block: int  # of the frames' own small pictures
    box: tuple[int, int, int, int]  # of the camera's picture in the frame


class Fitter:
    """Compares the frames of one job, one after the other."""

    def __init__(self, job: FitJob) -> None:
        self.job = job
        self.pictures = {number: store.open() for number, store in job.stores.items()}
        self.near: dict[tuple[int, int], NDArray[Any]] = {}  # the last few: one array for one frame
        self.laid = LaidPictures()
        self.fits: list[tuple[float, ...]] = []
        self.before: tuple[NDArray[np.float32], FitRow] | None = None

    def picture(self, capture: int, frame: int) -> NDArray[Any]:
        """A frame's small picture."""
        key = capture, frame
        if key not in self.near:
            if len(self.near) == _NEAR:
                del self.near[next(iter(self.near))]
            self.near[key] = self.pictures[capture][frame]
        return self.near[key]

    def fit(self, place: int, small: NDArray[np.float32] | None) -> None:
        """Frame `place` of the job; None where it could not be decoded."""
        row = self.job.rows[place]
        if small is None or not 0 <= row.frame < len(self.pictures.get(row.capture, ())):
            self.fits.append((float("nan"),) * 5 + (0.0,))
            self.before = None
            return
        if self.before is not None and self.before[0] is small and self.before[1] == row:
            self.fits.append(self.fits[-1])  # a frame that is shown once more
            return
        self.before = small, row
        others = [
            (self.picture(capture, frame), [Move(**dict(zip("abcdef", way))) for way in ways])
            for capture, frame, ways in row.others
            if 0 <= frame < len(self.pictures.get(capture, ()))
        ]
        fit = measure_fit(
            small,
            self.picture(row.capture, row.frame),
            Move(**dict(zip("abcdef", row.move))),
            others,  # type: ignore[arg-type]
            blocks=(self.job.block, self.job.stores[row.capture].block),
            box=self.job.box,
            kept=self.laid,
        )
        self.fits.append((fit.stated, fit.neighbour, fit.alike, fit.off_x_px, fit.off_y_px, fit.pixels))


class RenderRows:
    """What each finished frame is compared with, made for a stretch when it is asked for: of all frames it would be large."""

    def __init__(self, render: Table, counts: Mapping[int, int]) -> None:
        self.counts = counts
        self.sources = np.stack([render["source_capture"], render["source_frame"]], axis=1).astype(np.int64)
        self.moves = np.stack([render[name] for name in "abcdef"], axis=1).astype(np.float64)
        keys = _source_key(self.sources[:, 0], self.sources[:, 1])
        self.order = np.argsort(keys, kind="stable")
        self.keys = keys[self.order]

    def _move(self, row: int) -> Numbers:
        a, b, c, d, e, f = self.moves[row].tolist()
        return a, b, c, d, e, f

    def _own(self, capture: int, frame: int) -> list[Numbers]:
        """The move of the last finished frame that shows a captured one; none where there is none."""
        key = _source_key(capture, frame)
        at = int(np.searchsorted(self.keys, key, side="right")) - 1
        return [self._move(int(self.order[at]))] if at >= 0 and int(self.keys[at]) == key else []

    def rows(self, first: int, stop: int) -> tuple[FitRow, ...]:
        """For finished frames `first` to `stop` the source, and what lies beside it: in the capture, and in the finished film.

        A frame beside it is laid by its own move, which is where it would lie if it had been put in the wrong place,
        and by the stated one.
        """
        last, out = len(self.sources) - 1, []
        for i in range(first, min(stop, last + 1)):
            capture, frame = self.sources[i].tolist()
            move = self._move(i)
            beside = [(capture, frame - 1), (capture, frame + 1)]
            beside += [(int(c), int(f)) for c, f in self.sources[[max(i - 1, 0), min(i + 1, last)]]]
            others = []
            for key in dict.fromkeys(beside):
                if key == (capture, frame) or not 0 <= key[1] < self.counts.get(key[0], 0):
                    continue
                ways = self._own(*key)
                if key[0] == capture and move not in ways:
                    ways.append(move)
                others.append((*key, tuple(ways)))
            out.append(FitRow(capture=capture, frame=frame, move=move, others=tuple(others)))
        return tuple(out)


def _source_key(capture: Any, frame: Any) -> Any:
    """One number for a captured frame, in the order of capture and frame."""
    return (capture << 32) + frame


def rows_of_copy(
    copy: CopySummary, shown: Sequence[int], size: tuple[int, int], frames: int
) -> tuple[FitRow, ...]:
    """For each frame of a copy the finished frame that it is to show, and those before and after it."""
    left, top = (copy.width - copy.picture_width) // 2, (copy.height - copy.picture_height) // 2
    a, e = size[0] / copy.picture_width, size[1] / copy.picture_height
    move = (a, 0.0, (0.5 - left) * a - 0.5, 0.0, e, (0.5 - top) * e - 0.5)
    return tuple(
        FitRow(
            capture=0,
            frame=int(n),
            move=move,
            others=tuple((0, int(m), (move,)) for m in (n - 1, n + 1) if 0 <= m < frames),
        )
        for n in shown
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the fits of a file came to: frames told, those that are right, and what is to be said."""

    told: int = 0
    right: int = 0
    findings: tuple[Finding, ...] = field(default=())


def judge(name: str, fits: NDArray[np.float64], block: int, *, of: str, which: NDArray[np.intp]) -> Shown:
    """Findings of a file's fits, of the frames in `which`; `of` is the check's name."""
    if not len(fits) or not len(which):
        return Shown()
    fits = fits[which]
    seen = find_shown(fits, block=block)
    found: list[Finding] = []
    for code, kind in (("frame shows another", ANOTHER), ("frame lies elsewhere", ELSEWHERE)):
        for number in np.flatnonzero(seen == kind)[:_MOST_TOLD]:
            values: dict[str, object] = {"file": name, "frame": int(which[number])}
            if kind == ELSEWHERE:
                values["px"] = round(float(np.hypot(fits[number, 3], fits[number, 4])), 1)
            found.append(Finding(code=code, where=name, values=values))
    told, alike = int((seen != NOT_TOLD).sum()), int((seen == ALIKE).sum())
    if alike:
        found.append(
            Finding(code="frames alike", where=name, values={"file": name, "frames": alike, "of": told})
        )
    if told < len(fits):
        why = f"{len(fits) - told} of {len(fits)} frames could not be compared"
        found.append(Finding(code="check not made", where=name, values={"check": of, "why": why}))
    return Shown(told=told, right=int((seen == SHOWN).sum()) + alike, findings=tuple(found))
