"""Faults of the captured sound as `analyse` found them, in tables: hum followed line by line, and clicks.

hum.parquet        a row a knot of a followed comb: where, and how far it has turned
hum-lines.parquet  a row a knot of one line of it on one track: how strong it is there
clicks.parquet     a row a click: its first and last sample

Nothing is altered by them: the decisions on hum, flutter and clicks say what is taken out of the finished sound.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.record.table import Table, read_table, write_table
from smallgauge.sound.clicks import Click, Shape
from smallgauge.sound.comb import CombTrack

HUM, HUM_LINES, CLICKS = "hum.parquet", "hum-lines.parquet", "clicks.parquet"
FAULT_FILES = (HUM, HUM_LINES, CLICKS)
Clock = Literal["film", "chain"]

_c = Column
HUM_COLUMNS: tuple[Column, ...] = (
    _c(
        name="clock",
        unit="",
        type="text",
        meaning="film: hum that was recorded with the sound; chain: hum of the capture chain.",
        source="definition",
    ),
    _c(
        name="film_position",
        unit="1",
        type="float64",
        meaning="Film position in the gate; of the chain's hum eighteenths of a second of the captured sound.",
        source="definition",
    ),
    _c(
        name="in_sample",
        unit="1",
        type="float64",
        meaning="Place in the captured sound at this knot, in samples.",
        source="definition",
    ),
    _c(
        name="turns",
        unit="1",
        type="float64",
        meaning="Phase of the hum's first line, in cycles from the beginning; line k turns k times as often.",
        source="hum comb",
    ),
    _c(
        name="displacement",
        unit="1",
        type="float64",
        meaning="Flutter: what the head read here was recorded so many frames later than the film says; 0 where none was told.",
        source="hum comb",
    ),
    _c(
        name="speed",
        unit="1",
        type="float64",
        meaning="Flutter: by what share of the speed the recording ran too fast here; 0 where none was told.",
        source="hum comb",
    ),
)
HUM_LINE_COLUMNS: tuple[Column, ...] = (
    _c(name="clock", unit="", type="text", meaning="As in hum.parquet.", source="definition"),
    _c(
        name="track",
        unit="1",
        type="int32",
        meaning="Channel of the captured sound, from 0.",
        source="definition",
    ),
    _c(
        name="line",
        unit="1",
        type="int32",
        meaning="Which line: so many times the frequency of the first, from 1.",
        source="definition",
    ),
    _c(
        name="in_sample",
        unit="1",
        type="float64",
        meaning="Place in the captured sound at this knot, in samples.",
        source="definition",
    ),
    _c(
        name="in_phase",
        unit="1",
        type="float64",
        meaning="Strength of the line in phase with the turns, 1 at full scale; straight lines between knots.",
        source="hum comb",
    ),
    _c(
        name="quadrature",
        unit="1",
        type="float64",
        meaning="Strength of the line a quarter of a turn ahead, 1 at full scale.",
        source="hum comb",
    ),
)
CLICK_COLUMNS: tuple[Column, ...] = (
    _c(
        name="track",
        unit="1",
        type="int32",
        meaning="Channel of the captured sound, from 0.",
        source="definition",
    ),
    _c(
        name="first_sample",
        unit="1",
        type="int64",
        meaning="First sample of the click in the captured sound.",
        source="AR clicks",
    ),
    _c(
        name="stop_sample",
        unit="1",
        type="int64",
        meaning="The first sample after it.",
        source="AR clicks",
    ),
    _c(
        name="shape",
        unit="",
        type="text",
        meaning="click: with an edge; thump: dull, below some hundred hertz, where a splice passes the head.",
        source="definition",
    ),
    _c(
        name="strength",
        unit="1",
        type="float64",
        meaning="How far it stands above what is usual beside it: largest error of prediction, or of a thump largest low swing.",
        source="AR clicks",
    ),
    _c(
        name="expected",
        unit="1",
        type="bool",
        meaning="A splice passes the sound head there.",
        source="definition",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundFaults:
    """What was found: hum of the film and of the capture chain, None where there is none to speak of, and clicks."""

    film: CombTrack | None = None
    chain: CombTrack | None = None
    clicks: tuple[Click, ...] = ()

    def combs(self) -> tuple[tuple[Clock, CombTrack], ...]:
        """The combs that are there, the chain's first: it was taken out before the film's was followed."""
        named: tuple[tuple[Clock, CombTrack | None], ...] = (("chain", self.chain), ("film", self.film))
        return tuple((clock, comb) for clock, comb in named if comb is not None)


def write_faults(folder: Path, faults: SoundFaults, *, capture_digest: str) -> None:
    """Write the three tables; they may be empty."""
    for file, name, columns, values in (
        (HUM, "hum", HUM_COLUMNS, _comb_values(faults)),
        (HUM_LINES, "hum lines", HUM_LINE_COLUMNS, _line_values(faults)),
        (CLICKS, "clicks", CLICK_COLUMNS, _click_values(faults)),
    ):
        table = Table(name=name, columns=columns, values=values, capture_digest=capture_digest)
        write_table(folder / file, table)


def read_faults(folder: Path) -> SoundFaults:
    """The three tables as they were written; nothing found where a folder has none of them."""
    if not (folder / HUM).is_file():
        return SoundFaults()
    hum = read_table(folder / HUM, HUM_COLUMNS, "hum")
    lines = read_table(folder / HUM_LINES, HUM_LINE_COLUMNS, "hum lines")
    clicks = read_table(folder / CLICKS, CLICK_COLUMNS, "clicks")
    rows = zip(*(clicks[column.name].tolist() for column in CLICK_COLUMNS), strict=True)
    return SoundFaults(
        film=_comb(hum, lines, "film"),
        chain=_comb(hum, lines, "chain"),
        clicks=tuple(
            Click(
                track=track,
                first=first,
                stop=stop,
                shape=cast(Shape, shape),
                strength=strength,
                expected=expected,
            )
            for track, first, stop, shape, strength, expected in rows
        ),
    )


def _comb_values(faults: SoundFaults) -> dict[str, NDArray[Any]]:
    combs = faults.combs()
    clocks = np.array([clock for clock, comb in combs for _ in comb.in_sample], dtype=object)
    names = ("film_position", "in_sample", "turns", "displacement", "speed")
    empty = [np.empty(0)]
    return {
        "clock": clocks,
        **{name: np.concatenate(empty + [getattr(comb, name) for _, comb in combs]) for name in names},
    }


def _line_values(faults: SoundFaults) -> dict[str, NDArray[Any]]:
    pieces = [
        (clock, track, line, comb.line_sample, comb.lines[line, :, track])
        for clock, comb in faults.combs()
        for line in range(comb.lines.shape[0])
        for track in range(comb.lines.shape[2])
        if np.any(comb.lines[line])
    ]
    counts = [len(piece[3]) for piece in pieces]
    strength = np.concatenate([np.empty(0, np.complex128), *(piece[4] for piece in pieces)])
    return {
        "clock": np.repeat(np.array([piece[0] for piece in pieces], dtype=object), counts),
        "track": np.repeat(np.array([piece[1] for piece in pieces], dtype=np.int32), counts),
        "line": np.repeat(np.array([piece[2] + 1 for piece in pieces], dtype=np.int32), counts),
        "in_sample": np.concatenate([np.empty(0), *(piece[3] for piece in pieces)]),
        "in_phase": strength.real,
        "quadrature": strength.imag,
    }


def _click_values(faults: SoundFaults) -> dict[str, NDArray[Any]]:
    clicks = faults.clicks
    return {
        "track": np.array([c.track for c in clicks], dtype=np.int32),
        "first_sample": np.array([c.first for c in clicks], dtype=np.int64),
        "stop_sample": np.array([c.stop for c in clicks], dtype=np.int64),
        "shape": np.array([c.shape for c in clicks], dtype=object),
        "strength": np.array([c.strength for c in clicks], dtype=np.float64),
        "expected": np.array([c.expected for c in clicks], dtype=bool),
    }


def _comb(hum: Table, lines: Table, clock: Clock) -> CombTrack | None:
    own = np.flatnonzero(hum["clock"] == clock)
    if not own.size:
        return None
    mine = np.flatnonzero(lines["clock"] == clock)
    places = np.unique(lines["in_sample"][mine]) if mine.size else hum["in_sample"][own][:1]
    orders = int(lines["line"][mine].max()) if mine.size else 1
    tracks = int(lines["track"][mine].max()) + 1 if mine.size else 1
    strength = np.zeros((orders, len(places), tracks), dtype=np.complex128)
    at = np.searchsorted(places, lines["in_sample"][mine])
    value = lines["in_phase"][mine] + 1j * lines["quadrature"][mine]
    strength[lines["line"][mine] - 1, at, lines["track"][mine]] = value
    speed = hum["speed"][own]
    turns = hum["turns"][own]
    place = hum["film_position"][own]
    return CombTrack(
        cycles_a_frame=float((turns[-1] - turns[0]) / (place[-1] - place[0])),
        film_position=place,
        in_sample=hum["in_sample"][own],
        turns=turns,
        displacement=hum["displacement"][own],
        speed=speed,
        line_sample=places,
        lines=strength,
        left=0.0 if np.any(speed) else float("nan"),
    )
