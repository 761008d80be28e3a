"""Inputs spoilt by chance, and the readers that they are given to, in forked processes under ceilings: a death is counted."""

import contextlib
import faulthandler
import json
import mmap
import os
import re
import resource
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from smallgauge.errors import SmallgaugeError
from smallgauge.media.still_in import Damage

MEMORY = 3 * 2**30  # data of a reading process
SILENT_S = 30.0  # for one input
EXTREMES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFFFFFFFFFF)
WORDS = (
    *(
        "null",
        "NaN",
        "-1",
        "1e999",
        "99999999999999999999",
        '"',
        "{",
        "[",
        "[[[[",
        "true",
        "\\u0000",
        "'",
        "\n",
        "=",
        "-0",
        "\x00",
    ),
    *(
        "../../../x",
        "[" * 5000,
        '{"a":' * 3000,
        "9" * 5000,
        "\U0001f39e",
        "\ufeff",
        "inf",
        "1/0",
        "0/0",
        "2026-13-45",
    ),
)


def spoil_bytes(data: bytes, chance: np.random.Generator, other: bytes) -> bytes:
    """One to four changes: bits, bytes, numbers at their extremes, pieces cut out, doubled, moved or taken from another file."""
    out = bytearray(data)
    for _ in range(int(chance.integers(1, 5))):
        if not out:
            return bytes(out)
        # Headers are small and bodies large: half of the changes fall into the first two hundred bytes or the last.
        size = len(out)
        ends = chance.random()
        at = int(chance.integers(0, min(size, 200)) if ends < 0.5 else chance.integers(0, size))
        at = size - 1 - at if 0.4 < ends < 0.5 else at
        kind = int(chance.integers(0, 8))
        if kind == 0:
            out[at] ^= 1 << int(chance.integers(0, 8))
        elif kind == 1:
            out[at] = int(chance.integers(0, 256))
        elif kind == 2:
            value, width = (
                EXTREMES[int(chance.integers(0, len(EXTREMES)))],
                (1, 2, 4, 8)[int(chance.integers(0, 4))],
            )
            order = ("little", "big")[int(chance.integers(0, 2))]
            out[at : at + width] = (value & (256**width - 1)).to_bytes(width, order)  # type: ignore[arg-type]
        elif kind == 3:
            del out[at:]
        elif kind == 4:
            del out[at : at + int(chance.integers(1, 64))]
        elif kind == 5:
            out[at:at] = out[at : at + int(chance.integers(1, 4096))]
        elif kind == 6:
            out[at:at] = bytes(chance.integers(0, 256, int(chance.integers(1, 32)), dtype=np.uint8))
        else:
            begin = int(chance.integers(0, max(1, len(other))))
            piece = other[begin : begin + int(chance.integers(1, 512))]
            out[at : at + len(piece)] = piece
    return bytes(out)


def spoil_text(data: bytes, chance: np.random.Generator, other: bytes) -> bytes:
    """Half as bytes, half by its words: values of another kind, without end, nested without end, keys gone or doubled."""
    if chance.random() < 0.4:
        return spoil_bytes(data, chance, other)
    text = data.decode("utf-8", errors="replace")
    for _ in range(int(chance.integers(1, 4))):
        found = list(re.finditer(r'"[^"]*"|-?\d+(\.\d+)?|\b\w+\b|[{}\[\],:=]', text))
        if not found:
            break
        one = found[int(chance.integers(0, len(found)))]
        kind = int(chance.integers(0, 4))
        word = WORDS[int(chance.integers(0, len(WORDS)))]
        if kind == 1:
            word = f'"{word}"'
        elif kind == 2:
            word = ""
        elif kind == 3:
            word = one[0] * 2
        text = text[: one.start()] + word + text[one.end() :]
    return text.encode("utf-8", errors="replace")


@dataclass(frozen=True)
class Reader:
    """One reader, and whole files that it reads."""

    name: str
    seeds: tuple[Path, ...]
    read: Callable[[Path], object]
    text: bool = False


@dataclass
class Found:
    """What came of a reader's inputs."""

    inputs: int = 0
    taken: int = 0  # read without a word
    refused: int = 0  # in words
    deaths: list[str] = field(default_factory=list)  # of the expendable process
    stalls: list[str] = field(default_factory=list)
    memory: list[str] = field(default_factory=list)  # refused by the ceiling
    failures: dict[str, str] = field(
        default_factory=dict
    )  # errors that are no words of the program: kind and place -> input
    longest_s: float = 0.0
    peak_kb: int = 0


def spoilt(reader: Reader, number: int, seed: int) -> tuple[bytes, str]:
    """The input of that number, from its number alone; and the file name's ending."""
    chance = np.random.default_rng((seed, number))
    one, other = (reader.seeds[int(chance.integers(0, len(reader.seeds)))] for _ in range(2))
    spoil = spoil_text if reader.text else spoil_bytes
    return spoil(one.read_bytes(), chance, other.read_bytes()), one.name


def fuzz(reader: Reader, count: int, seed: int, place: Path) -> Found:
    """Give a reader so many spoilt inputs, in processes that may die; what came of them."""
    found = Found()
    shared = mmap.mmap(-1, 64)
    told = place / "told.jsonl"
    number = 0
    while number < count:
        told.unlink(missing_ok=True)
        child = os.fork()
        if child == 0:
            _read_on(reader, number, count, seed, place, shared, told)
        _, status, used = os.wait4(child, 0)
        found.peak_kb = max(found.peak_kb, used.ru_maxrss)
        lines = [json.loads(line) for line in told.read_text().splitlines()] if told.exists() else []
        for what, which, seconds in lines:
            found.longest_s = max(found.longest_s, seconds)
            found.inputs += 1
            if what == "taken":
                found.taken += 1
            elif what == "refused":
                found.refused += 1
            elif what == "memory":
                found.memory.append(which)
            else:
                found.failures.setdefault(what, which)
        (reached,) = struct.unpack_from("q", shared)
        if reached < count:  # it died over this one
            code = os.waitstatus_to_exitcode(status)
            (found.stalls if code == 1 else found.deaths).append(f"{reader.name} {seed} {reached} ({code})")
            found.inputs += 1
            number = reached + 1
        else:
            number = count
    return found


def _read_on(
    reader: Reader, first: int, count: int, seed: int, place: Path, shared: mmap.mmap, told: Path
) -> None:
    code = 9
    try:
        faulthandler.disable()  # pytest's own would tell of a death that is counted
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        with told.open("a") as log:
            for number in range(first, count):
                struct.pack_into("q", shared, 0, number)
                data, name = spoilt(reader, number, seed)
                path = place / name
                path.write_bytes(data)
                faulthandler.dump_traceback_later(SILENT_S, exit=True, file=nowhere)
                begun = time.monotonic()
                what = _read_one(reader, path)
                faulthandler.cancel_dump_traceback_later()
                log.write(
                    json.dumps([what, f"{reader.name} {seed} {number}", time.monotonic() - begun]) + "\n"
                )
                log.flush()
        struct.pack_into("q", shared, 0, count)
        code = 0
    finally:
        os._exit(code)


def _read_one(reader: Reader, path: Path) -> str:
    try:
        reader.read(path)
        return "taken"
    except (SmallgaugeError, Damage):
        return "refused"
    except MemoryError:
        return "memory"
    except Exception as error:
        import traceback

        ours = [f for f in traceback.extract_tb(error.__traceback__) if "/smallgauge/" in f.filename]
        last = ours[-1] if ours else traceback.extract_tb(error.__traceback__)[-1]
        with contextlib.suppress(Exception):
            return f"{type(error).__name__}: {str(error)[:80]} at {Path(last.filename).name}:{last.lineno} {last.name}"
        return type(error).__name__
