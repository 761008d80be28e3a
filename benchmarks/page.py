"""Parts of docs/benchmarks.md that a benchmark writes itself, between two marks; all else there is written by hand."""

import os
import platform
from importlib.metadata import version
from pathlib import Path

PAGE = Path(__file__).resolve().parent.parent / "docs" / "benchmarks.md"
LIBRARIES = ("numpy", "numba", "opencv-python-headless", "av", "openimageio", "imagecodecs")


def write_part(name: str, text: str) -> None:
    """Put text between a part's marks; without marks it is added at the page's end."""
    begin, end = f"<!-- {name}: begin, written by python -m benchmarks.{name} -->", f"<!-- {name}: end -->"
    page = PAGE.read_text(encoding="utf-8")
    part = f"{begin}\n{text.strip()}\n{end}"
    if begin in page:
        before, _, rest = page.partition(begin)
        page = before + part + rest.partition(end)[2]
    else:
        page = f"{page.rstrip()}\n\n{part}\n"
    PAGE.write_text(page, encoding="utf-8")


def load() -> float:
    """How many processes want to run, mean of the last minute."""
    return os.getloadavg()[0]


def machine() -> str:
    """Processor, cores and versions, in one line."""
    lines = (
        Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        if Path("/proc/cpuinfo").exists()
        else []
    )
    named = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    return f"{named[0] if named else platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {libraries}"
