"""The papers to and from JSON, TOML and JSON lines; Parquet tables are in `table.py`.

Documents are plain frozen classes; the converter is here. All mistakes of a document come at once,
each with its place.
"""

import functools
import json
from dataclasses import fields, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

from smallgauge.errors import MaterialError
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.treatment import Decision, InForce, Treatment
from smallgauge.record.upgrade import bring_up

Paper = TypeVar("Paper")


@functools.cache
def _converter() -> Any:
    """Made once: it compiles what it knows of each class."""
    import cattrs

    converter = cattrs.Converter(forbid_extra_keys=False, detailed_validation=True)
    converter.register_unstructure_hook(Fraction, str)
    converter.register_structure_hook(Fraction, lambda value, _: Fraction(value))
    converter.register_unstructure_hook(float, _finite)
    converter.register_structure_hook(float, lambda value, _: float("nan") if value is None else float(value))
    converter.register_structure_hook_func(lambda kind: kind is object, lambda value, _: value)
    return converter


def _finite(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None


def to_plain(paper: object) -> Any:
    """A paper as dicts, lists, text and numbers; unknown numbers (NaN) become null."""
    return _plain(_converter().unstructure(paper))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, float):
        return _finite(value)
    return value


def write_json(path: Path, paper: object) -> None:
    """Write a paper as JSON, whole or not at all."""
    text = json.dumps(to_plain(paper), indent=1, ensure_ascii=False, allow_nan=False)
    write_whole_bytes(path, (text + "\n").encode())


def read_json(path: Path, kind: type[Paper]) -> Paper:
    """Read a paper; MaterialError names every mistake and its place."""
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise MaterialError(
            f"{path.name} must be a whole JSON document, but {error}; it lies in {path.parent}."
        ) from None
    if isinstance(plain, dict):
        plain = bring_up(plain, kind.__name__, known=_version_of(kind), path=path)
    return _structured(plain, kind, path)


def _version_of(kind: object) -> int:
    """The version of a paper that this program writes; 1 where the paper states none."""
    stated = [field for field in fields(kind) if field.name == "version"] if is_dataclass(kind) else []
    default = stated[0].default if stated else 1
    return default if isinstance(default, int) else 1


def _structured(plain: Any, kind: type[Paper], path: Path) -> Paper:
    import cattrs

    try:
        paper: Paper = _converter().structure(plain, kind)
        return paper
    except cattrs.BaseValidationError as error:
        mistakes = "; ".join(cattrs.transform_error(error))
    except (TypeError, ValueError, KeyError, AttributeError, ArithmeticError) as error:
        mistakes = str(error)
    except RecursionError:
        mistakes = "nested without end"
    raise MaterialError(
        f"{path.name} is not as this program writes it: {mistakes}; it lies in {path.parent}."
    )


def read_decisions(path: Path) -> tuple[Decision, ...]:
    """The log of decisions; a torn last line (power cut) is left out."""
    return read_lines(path, Decision)


def read_lines(path: Path, kind: type[Paper], *, torn: bool = False) -> tuple[Paper, ...]:
    """A paper that only grows, a document a line; nothing where it is not there.

    A torn last line (power cut) is left out; with `torn`, so is one that lines were added behind.
    """
    if not path.exists():
        return ()
    raw = path.read_bytes()
    texts = raw[: raw.rfind(b"\n") + 1].decode("utf-8", errors="replace").splitlines()
    try:
        lines = [json.loads(text) for text in texts if not torn or text.endswith("}")]
    except (ValueError, RecursionError) as error:
        raise MaterialError(
            f"{path.name} must hold one JSON document a line, but {error}; it lies in {path.parent}."
        ) from None
    return tuple(_structured(line, kind, path) for line in lines)


def add_decisions(path: Path, before: tuple[Decision, ...], after: tuple[Decision, ...]) -> None:
    """Add what `after` holds beyond `before`; the reel's lock is held by the caller.

    The log is written anew, whole, because a package may hold the same file under a second name: what was
    handed out stays as it was.
    """
    raw = path.read_bytes() if path.exists() else b""
    whole = raw[: raw.rfind(b"\n") + 1]
    added = [json.dumps(to_plain(d), ensure_ascii=False, allow_nan=False) for d in after[len(before) :]]
    if added or whole != raw:
        write_whole_bytes(path, whole + "".join(f"{line}\n" for line in added).encode())


def write_treatment(path: Path, treatment: Treatment) -> None:
    """Write `treatment.toml`: the decisions in force; unknown is absent, never NaN."""
    import tomli_w

    def row(entry: InForce) -> dict[str, Any]:
        out: dict[str, Any] = _without_none(to_plain(entry.decision))
        if entry.proposal is not None:
            out["proposal"] = _without_none(to_plain(entry.proposal))
        return out

    document = {
        "treatment": 1,
        "revision": treatment.revision,
        "decision": [row(e) for e in treatment.in_force],
    }
    write_whole_bytes(path, tomli_w.dumps(document).encode())


def structured(value: object, kind: type[Paper], *, where: str) -> Paper:
    """A plain value, such as that of a decision, as the class that it is of; MaterialError names mistakes.

    Examples
    --------
    >>> from smallgauge.picture.registration import RegistrationDecision
    >>> structured({"by": "perforation"}, RegistrationDecision, where="registration").gap_neighbours
    10
    """
    return _structured(value, kind, Path(where))


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list):
        return [_without_none(v) for v in value if v is not None]
    return value


def read_text_if_there(path: Path) -> str:
    """The text of a file, or "" where there is none."""
    if not path.exists():
        return ""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise MaterialError(
            f"{path.name} must be text in UTF-8, and byte {error.start} is not; it lies in {path.parent}: save it as UTF-8."
        ) from None


def write_text(path: Path, text: str) -> None:
    """Write text whole or not at all."""
    write_whole_bytes(path, text.encode())
