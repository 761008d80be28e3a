"""`machines.toml` beside the reels: what the shop keeps of each of its machines.

    ["bench two"]                         film frames from gate to sound head, a gauge each
    super-8 = 12.0

    ["bench two".scale.super-8]           what `smallgauge calibrate` measured for a gauge, or for "every gauge"
    along_um = 4.503
    ...

A new scale takes the place of the one before for that machine and gauge; whatever else stands in the file stays as it is,
comments too.
"""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import isfinite
from typing import Any

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import GAUGES

MACHINES_FILE = "machines.toml"
EVERY_GAUGE = "every gauge"
_GAUGES = tuple(gauge.key for gauge in GAUGES)
_NUMBERS = ("along_um", "along_sigma_um", "across_um", "across_sigma_um")
_TEXTS = ("told_by", "by", "at", "capture")


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineScale:
    """Micrometres of film a pixel, as measured on a capture; None where a direction was not told.

    Sigmas are standard errors. It holds for captures of the size that it was measured on.
    """

    along_um: float | None
    along_sigma_um: float | None
    across_um: float | None
    across_sigma_um: float | None
    width_px: int
    height_px: int
    told_by: str  # "graticule of 0.5 mm", "film of the long pitch"
    by: str
    at: str
    capture: str  # digest of the frames it was measured on


@dataclass(frozen=True, slots=True, kw_only=True)
class Machines:
    """What is kept of all machines, by name and gauge."""

    head_offsets: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    scales: Mapping[str, Mapping[str, MachineScale]] = field(default_factory=dict)

    def head_offset(self, machine: str | None, gauge: str) -> float | None:
        """Film frames from gate to sound head; None where none is kept."""
        return self.head_offsets.get(machine or "", {}).get(gauge)

    def scale(self, machine: str | None, gauge: str | None) -> MachineScale | None:
        """The scale for a gauge, else that for every gauge; None where none is kept."""
        kept = self.scales.get(machine or "", {})
        return kept.get(gauge or "", kept.get(EVERY_GAUGE))


def read_machines(text: str, *, where: str) -> Machines:
    """Read `machines.toml`; all mistakes come at once, as one MaterialError.

    Examples
    --------
    >>> machines = read_machines('["bench two"]\\nsuper-8 = 12', where="machines.toml")
    >>> machines.head_offset("bench two", "super-8"), machines.scale("bench two", "super-8")
    (12.0, None)
    """
    try:
        document: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise MaterialError(f"{where} must be TOML, but {error}; mend that line.") from None
    mistakes: list[str] = []
    offsets: dict[str, dict[str, float]] = {}
    scales: dict[str, dict[str, MachineScale]] = {}
    for machine, table in document.items():
        if not isinstance(table, dict):
            mistakes.append(f"'{machine}' must be a table")
            continue
        offsets[machine], scales[machine] = {}, {}
        for key, value in table.items():
            if key == "scale":
                scales[machine] = _scales(machine, value, mistakes)
            elif not _is_number(value):
                mistakes.append(f"{machine}: {key} must be film frames from gate to head, found {value!r}")
            else:
                offsets[machine][key] = float(value)
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}. Mend these and run the command again.")
    return Machines(head_offsets=offsets, scales=scales)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _scales(machine: str, table: Any, mistakes: list[str]) -> dict[str, MachineScale]:
    found: dict[str, MachineScale] = {}
    if not isinstance(table, dict):
        mistakes.append(f"{machine}: scale must hold a table for a gauge or for '{EVERY_GAUGE}'")
        return found
    for gauge, values in table.items():
        name = f"{machine}, scale, {gauge}"
        if gauge not in (*_GAUGES, EVERY_GAUGE):
            mistakes.append(f"{name}: no gauge; known are {', '.join(_GAUGES)} and {EVERY_GAUGE}")
        elif not isinstance(values, dict):
            mistakes.append(f"{name} must be a table")
        else:
            scale = _scale(values)
            if isinstance(scale, str):
                mistakes.append(f"{name}: {scale}")
            else:
                found[gauge] = scale
    return found


def _scale(values: dict[str, Any]) -> MachineScale | str:
    """One scale, or what is wrong with it."""
    for key in values:
        if key not in MachineScale.__dataclass_fields__:
            return f"'{key}' is not known"
    for key in _NUMBERS:
        if key in values and not (_is_number(values[key]) and values[key] > 0):
            return f"{key} must be a number above 0, found {values[key]!r}"
    for key in ("width_px", "height_px"):
        if not isinstance(values.get(key), int) or isinstance(values[key], bool) or values[key] < 1:
            return f"{key} must be pixels of the capture, found {values.get(key)!r}"
    if "along_um" not in values and "across_um" not in values:
        return "along_um or across_um is needed"
    numbers = {key: float(values[key]) if key in values else None for key in _NUMBERS}
    texts = {key: str(values.get(key, "")) for key in _TEXTS}
    return MachineScale(**numbers, **texts, width_px=values["width_px"], height_px=values["height_px"])  # type: ignore[arg-type]


def with_scale(text: str, *, machine: str, gauge: str, scale: MachineScale, where: str) -> str:
    """The document with this scale in it; everything else as it was, word for word.

    Examples
    --------
    >>> scale = MachineScale(along_um=4.5, along_sigma_um=0.001, across_um=None, across_sigma_um=None, width_px=1440,
    ...     height_px=1080, told_by="film of the long pitch", by="mk", at="2026-01-17T10:00:00Z", capture="5a")
    >>> text = with_scale("# ours\\n", machine="bench two", gauge="super-8", scale=scale, where="machines.toml")
    >>> text.splitlines()[:3]
    ['# ours', '', '["bench two".scale."super-8"]']
    >>> read_machines(text, where="machines.toml").scale("bench two", "super-8") == scale
    True
    """
    import tomli_w

    read_machines(text, where=where)  # nothing is written into a document that is not understood
    wanted = tomllib.loads(text)
    values = {key: value for key, value in asdict(scale).items() if value is not None}
    wanted.setdefault(machine, {}).setdefault("scale", {})[gauge] = values
    head = f"[{json.dumps(machine, ensure_ascii=False)}.scale.{json.dumps(gauge)}]"
    kept = _without_block(text, head).rstrip("\n")
    block = f"{head}\n{tomli_w.dumps(values)}"
    new = f"{kept}\n\n{block}" if kept else block
    try:
        if tomllib.loads(new) == wanted:
            return new
    except (ValueError, RecursionError):
        pass
    return tomli_w.dumps(
        wanted
    )  # a scale that somebody wrote in another form: comments are lost, values are not


def _without_block(text: str, head: str) -> str:
    """The text without the table of that head."""
    out, inside = [], False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            inside = line.strip() == head
        if not inside:
            out.append(line)
    return "\n".join(out)
