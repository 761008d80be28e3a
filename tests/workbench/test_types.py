"""The page's modules as a strict TypeScript compiler reads their comments; only where one is installed.

Source: TypeScript handbook, "Type checking JavaScript files" (checkJs over JSDoc). Nothing of it is needed to run or to build.
"""

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

STATIC = Path(__file__).parents[2] / "smallgauge" / "workbench" / "static"
VENDORED = Path(__file__).parent / "types" / "vendored.d.ts"
OPTIONS = {
    "allowJs": True,
    "checkJs": True,
    "noEmit": True,
    "strict": True,
    "target": "es2022",
    "module": "esnext",
    "moduleResolution": "bundler",
    "lib": ["es2023", "dom", "dom.iterable"],
    "types": [],
}

needs_compiler = pytest.mark.skipif(
    shutil.which("tsc") is None, reason="left out: no TypeScript compiler (tsc) on this system"
)


def complaints(folder: Path, modules: list[Path]) -> list[str]:
    """What the compiler says of some modules."""
    config = folder / "tsconfig.json"
    config.write_text(json.dumps({"compilerOptions": OPTIONS, "files": [*map(str, modules), str(VENDORED)]}))
    said = subprocess.run(["tsc", "-p", str(config)], capture_output=True, text=True)
    return [line for line in (said.stdout + said.stderr).splitlines() if line.strip()]


@needs_compiler
def test_a_strict_compiler_finds_nothing(tmp_path):
    assert complaints(tmp_path, sorted(STATIC.glob("*.js"))) == []


@needs_compiler
def test_it_would_find_a_slip(tmp_path):
    text = (STATIC / "ask.js").read_text(encoding="utf-8")
    (tmp_path / "ask.js").write_text(text.replace("super(sentence)", "super(sentense)"))
    (found,) = complaints(tmp_path, [tmp_path / "ask.js"])
    assert re.search(r"Cannot find name 'sentense'", found)
