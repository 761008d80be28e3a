"""Make the pages of `docs/` that are made from code: gauges, tables, capture.toml, commands, sources.

    python tools/make_docs.py           writes the pages
    python tools/make_docs.py --check   writes nothing, names the pages that differ, exits 1 if any does

A page is never edited by hand. `tests/test_docs.py` holds that what is in `docs/` is what this makes.
"""

import argparse
import ast
import dataclasses
import importlib
import pkgutil
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import smallgauge.record
from smallgauge.columns import Column, Flag
from smallgauge.gauge.facts import Fact, RunningRate
from smallgauge.gauge.gauges import GAUGES, Gauge, ImageArea
from smallgauge.gauge.spools import SPOOLS, THICKNESSES
from smallgauge.gauge.tracks import StripeTrack
from smallgauge.sources import SOURCES

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
MADE = "<!-- Made from code by tools/make_docs.py (`make docs`); not edited by hand. -->\n"


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """A Markdown table; bars in cells are escaped, lines in them joined."""
    lines = [head, tuple("---" for _ in head), *rows]
    cells = ((" ".join(cell.split()).replace("|", "\\|") for cell in line) for line in lines)
    return "\n".join("| " + " | ".join(line) + " |" for line in cells) + "\n"


def record_modules() -> list[ModuleType]:
    """The modules of `smallgauge.record`, by name."""
    names = sorted(each.name for each in pkgutil.iter_modules(smallgauge.record.__path__))
    return [importlib.import_module(f"smallgauge.record.{name}") for name in names]


def own_names(module: ModuleType) -> list[str]:
    """Public names that a module itself assigns at its top, in its order."""
    assert module.__file__ is not None
    names: list[str] = []
    for node in ast.parse(Path(module.__file__).read_text(encoding="utf-8")).body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names += [target.id for target in targets if isinstance(target, ast.Name)]
    return [name for name in names if not name.startswith("_")]


def declared(kind: type) -> Iterator[tuple[ModuleType, str, tuple[Any, ...]]]:
    """Every tuple of `kind` that a module of `smallgauge.record` declares: module, name, tuple."""
    for module in record_modules():
        for name in own_names(module):
            value = getattr(module, name)
            if isinstance(value, tuple) and value and all(isinstance(each, kind) for each in value):
                yield module, name, value


def first_line(module: ModuleType) -> str:
    """First line of a module's docstring."""
    return (module.__doc__ or "").strip().splitlines()[0]


# ---- gauges ----


def words(field: str) -> tuple[str, str]:
    """A field's name as words, and its unit."""
    name, unit = field.removesuffix("_mm"), "mm" if field.endswith("_mm") else ""
    names = {
        "length_100_long": "100 consecutive long pitches",
        "length_100_short": "100 consecutive short pitches",
        "rows_apart": "between two rows, inner side to inner side",
        "picture_centre_from_edge": "picture centre from the perforated edge",
        "nominal_frames_per_foot": "frames to a foot, as the trade counts",
        "perforation edge_distance": "film edge to near side of perforation",
        "pitch_long": "pitch, long",
        "pitch_short": "pitch, short",
        "camera_image_width": "camera's image, width",
        "camera_image_height": "camera's image, height",
    }
    return names.get(name, name.replace("_", " ")), unit


def value_row(what: str, unit: str, fact: Fact) -> tuple[str, ...]:
    """One line of the table of values."""
    value = f"{fact.value:g} {unit}".strip()
    tolerance = "not seen" if fact.tolerance is None else f"± {fact.tolerance:g}"
    source = ", ".join((fact.source, *fact.also))
    return (what, value, tolerance, source, fact.confidence, "yes" if fact.may_be_limit else "no", fact.note)


VALUE_HEAD = ("what", "value", "tolerance", "source", "confidence", "may be a limit", "note")


def area_rows(what: str, area: ImageArea) -> list[tuple[str, ...]]:
    """The two lines of a picture area."""
    return [
        value_row(f"{what}, width", "mm", area.width_mm),
        value_row(f"{what}, height", "mm", area.height_mm),
    ]


def gauge_values(gauge: Gauge) -> list[tuple[str, ...]]:
    """Every dimension of a gauge, in the order in which it is declared."""
    rows: list[tuple[str, ...]] = []
    for field in dataclasses.fields(gauge):
        value = getattr(gauge, field.name)
        if isinstance(value, Fact):
            rows.append(value_row(*words(field.name), value))
        elif field.name == "perforation":
            for part in dataclasses.fields(value):
                if isinstance(fact := getattr(value, part.name), Fact):
                    rows.append(value_row(*words(f"perforation {part.name}"), fact))
        elif field.name in ("other_camera_images", "projectable"):
            what = (
                "other camera's image in print"
                if field.name == "other_camera_images"
                else "projected at most"
            )
            for area in value:
                rows += area_rows(what, area)
    return rows


def rate_rows(rates: tuple[RunningRate, ...]) -> list[tuple[str, ...]]:
    """Lines of the table of rates."""
    rows: list[tuple[str, ...]] = []
    for each in rates:
        tolerance = "" if each.tolerance is None else f" ± {each.tolerance:g}"
        rows.append(
            (f"{each.rate}{tolerance}", each.rank, each.where, each.source, each.confidence, each.note)
        )
    return rows


def track_rows(track: StripeTrack) -> list[tuple[str, ...]]:
    """Lines of a sound track: how far ahead, how wide, where."""
    rows = [value_row(f"{track.kind}: ahead of its picture", "frames", track.ahead_frames)]
    for what, fact in (("width", track.width_mm), ("balance stripe, width", track.balance_width_mm)):
        if fact is not None:
            rows.append(value_row(f"{track.kind}: {what}", "mm", fact))
    return rows


PLACES = {"mid-frame": "beside the middle of the frame", "frame line": "on the frame line"}


def gauge_section(gauge: Gauge) -> str:
    """One gauge."""
    lines = [
        f"## {gauge.name}\n",
        f"Key `{gauge.key}`; also written {', '.join(gauge.aliases)}.\n",
        f"Perforations: {' and '.join(gauge.rows)}; {PLACES[gauge.holes_at]} "
        f"({gauge.holes_at_source}; {gauge.holes_at_confidence}).\n",
        table(VALUE_HEAD, gauge_values(gauge)),
        table(
            ("frames a second", "rank", "where", "source", "confidence", "note"),
            rate_rows(gauge.running_rates),
        ),
    ]
    if gauge.tracks:
        lines.append(table(VALUE_HEAD, [row for track in gauge.tracks for row in track_rows(track)]))
        lines += [f"- {track.kind}: {track.place}." for track in gauge.tracks]
    lines += [f"- {note}" for note in gauge.notes]
    return "\n".join(lines) + "\n"


def make_gauges() -> str:
    """`docs/gauges.md`."""
    spools = [
        (
            spool.gauge,
            f"{spool.diameter_mm:g}",
            "" if spool.hub_mm is None else f"{spool.hub_mm:g}",
            f"{spool.feet.value:g} ft",
            spool.feet.source,
            spool.feet.confidence,
            spool.feet.note,
        )
        for spool in SPOOLS
    ]
    thicknesses = [
        (
            each.film,
            f"{each.thickness_mm.value:g}",
            f"{each.from_mm:g} to {each.to_mm:g}",
            each.thickness_mm.source,
            each.thickness_mm.confidence,
            each.thickness_mm.note,
        )
        for each in THICKNESSES
    ]
    return "\n".join(
        [
            "# Gauges: every value, its source, and how surely\n",
            MADE,
            "Values are those of new film when it was cut and perforated. Only a value that was read in the "
            'published text itself ("published, seen in text") may be a limit that material passes or fails; '
            "every other one is a starting estimate, to be replaced by measurement. Sources are spelled "
            "out in "
            "[sources.md](sources.md).\n",
            *(gauge_section(gauge) for gauge in GAUGES),
            "## Spools\n",
            table(("gauge", "diameter, mm", "hub, mm", "holds", "source", "confidence", "note"), spools),
            "## Thickness of film\n",
            table(("film", "mm", "range, mm", "source", "confidence", "note"), thicknesses),
        ]
    )


# ---- tables and flags ----


def make_tables() -> str:
    """`docs/frametable.md`."""
    parts = [
        "# Tables and flags\n",
        MADE,
        "Columns are only added; a changed meaning is a new name. Unit `1` is a pure number. A value that"
        " could "
        "not be told is NaN, or null in a column of whole numbers, and a flag says why. *Tolerance* is "
        "how far "
        "another implementation of the same measurement may differ; *halo* is how many frames before and "
        "after "
        "a value depends on. Sources are spelled out in [sources.md](sources.md).\n",
    ]
    for module, name, columns in declared(Column):
        parts += [f"## {name.replace('_', ' ').capitalize()}\n", first_line(module) + "\n"]
        rows = [
            (
                f"`{each.name}`",
                each.unit,
                each.type,
                each.meaning,
                each.source,
                f"{each.tolerance:g}" if each.tolerance else "exact",
                str(each.halo),
            )
            for each in columns
        ]
        parts.append(table(("column", "unit", "type", "meaning", "source", "tolerance", "halo"), rows))
    for module, name, flags in declared(Flag):
        parts += [f"## {name.replace('_', ' ').capitalize()}\n", first_line(module) + "\n"]
        bits = [(str(flag.bit), str(flag.mask), f"`{flag.name}`", flag.meaning) for flag in flags]
        parts.append(table(("bit", "value", "name", "meaning"), bits))
    return "\n".join(parts)


# ---- capture.toml ----


def make_capture_keys() -> str:
    """`docs/capture-toml.md`."""
    rows: list[tuple[str, ...]] = []
    for module in record_modules():
        for key in getattr(module, "CAPTURE_KEYS", ()) if "CAPTURE_KEYS" in own_names(module) else ():
            allowed = ", ".join(f"`{word}`" for word in key.words) or str(key.kind)
            rows.append((f"`{key.name}`", allowed, key.meaning, key.without, "yes" if key.measures else "no"))
    head = ("key", "value", "meaning", "without it", "measured anew when it changes")
    return "\n".join(
        [
            "# capture.toml: what the operator knows of a capture\n",
            MADE,
            "A text file beside the frames, written by the operator or the scanner's software. Every key "
            "may be "
            "left out. A key that is not in this list is a finding, with the nearest known name.\n",
            table(head, rows),
        ]
    )


# ---- commands ----


def argument_row(parser: argparse.ArgumentParser, action: argparse.Action) -> tuple[str, ...]:
    """One line of a command's arguments, worded by us: argparse's own layout differs between Pythons."""
    takes = action.metavar or (action.dest.upper() if action.option_strings else action.dest)
    name = takes if isinstance(takes, str) else " ".join(takes)
    if action.option_strings:
        value = "" if action.nargs == 0 else f" {name}"
        name = ", ".join(f"`{option}{value}`" for option in action.option_strings)
    else:
        name = f"`{name}`"
    several = {"*": "any number", "+": "one or more", "?": "may be left out"}.get(str(action.nargs), "")
    choices = ", ".join(f"`{each}`" for each in action.choices or ())
    said = (action.help or "") % (vars(action) | {"prog": parser.prog})
    return (name, "; ".join(each for each in (several, choices) if each), said)


def command_sections(parser: argparse.ArgumentParser, level: int) -> Iterator[str]:
    """What a parser and every command below it say of themselves."""
    yield f"{'#' * level} {parser.prog}\n"
    if parser.description:
        yield parser.description.strip() + "\n"
    rows: list[tuple[str, ...]] = []
    below: list[argparse.ArgumentParser] = []
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            summaries = {each.dest: each.help or "" for each in action._choices_actions}
            for name, command in action.choices.items():
                if command not in below:  # an alias is the same parser
                    below.append(command)
                    rows.append((f"`{name}`", "command", summaries.get(name, "")))
        elif action.help != argparse.SUPPRESS and not isinstance(action, argparse._HelpAction):
            rows.append(argument_row(parser, action))
    yield table(("argument", "values", "meaning"), rows)
    if parser.epilog:
        yield f"```text\n{parser.epilog.strip()}\n```\n"
    for command in below:
        yield from command_sections(command, level + 1)


def make_commands() -> str:
    """`docs/commands.md`, from `smallgauge.arguments.build_parser()`."""
    arguments = importlib.import_module("smallgauge.arguments")
    return "\n".join(["# Commands\n", MADE, *command_sections(arguments.build_parser(), 2)])


# ---- sources ----


def make_sources() -> str:
    """`docs/sources.md`."""
    rows = [(f"`{key}`", source.title, source.seen) for key, source in sorted(SOURCES.items())]
    return "\n".join(
        [
            "# Sources\n",
            MADE,
            "What each key in code, tables and reports stands for, and how much of the text was seen when"
            " the "
            "value was taken.\n",
            table(("key", "title", "seen"), rows),
        ]
    )


PAGES: dict[str, Callable[[], str]] = {
    "gauges.md": make_gauges,
    "frametable.md": make_tables,
    "capture-toml.md": make_capture_keys,
    "commands.md": make_commands,
    "sources.md": make_sources,
}


def differing(names: list[str] | None = None) -> list[str]:
    """Names of the pages whose text in `docs/` is not what the code makes."""
    wrong = []
    for name in names or list(PAGES):
        path = DOCS / name
        if not path.is_file() or path.read_text(encoding="utf-8") != PAGES[name]():
            wrong.append(name)
    return wrong


def main() -> int:
    """Write or check the pages; the exit code."""
    parser = argparse.ArgumentParser(description="Make the pages of docs/ that are made from code.")
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 if a page differs")
    options = parser.parse_args()
    wrong = differing()
    if options.check:
        for name in wrong:
            print(f"docs/{name} is not what the code makes: run `make docs` and commit the page.")
        return 1 if wrong else 0
    for name in wrong:
        (DOCS / name).write_text(PAGES[name](), encoding="utf-8", newline="\n")
        print(f"docs/{name} written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
