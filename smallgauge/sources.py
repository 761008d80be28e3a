"""The one list of published sources that docstrings, columns, gauges and reports cite by key."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A published text, and how much of it was seen when the value was taken."""

    title: str
    seen: str


SOURCES: dict[str, Source] = {
    "definition": Source(title="Definition within this project", seen="the docstring beside it"),
    "common practice": Source(title="common practice, no source", seen="not published"),
    "memory": Source(title="from memory, not checked", seen="not seen"),
    "derived": Source(title="derived here by arithmetic", seen="the equation beside it"),
}
