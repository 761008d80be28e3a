"""Single faults in a package: every one found by `prove`, none on an untouched one, and the package left as it was."""

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest
from faults import Fault, draw_file_faults, draw_sealed_faults, files_of, seal
from proved_reel import settings, small_reel

from smallgauge.errors import SmallgaugeError
from smallgauge.proving import prove_folder

SEED = 20260128
FRAMES = 12


@pytest.fixture(scope="module")
def package(tmp_path_factory) -> Path:
    return small_reel(tmp_path_factory.mktemp("sounding"), frames=FRAMES, sound=True) / "package"


@pytest.fixture(scope="module")
def silent_package(tmp_path_factory) -> Path:
    return small_reel(tmp_path_factory.mktemp("silent"), frames=FRAMES) / "package"


def exit_code(folder: Path) -> int:
    try:
        return prove_folder(folder, settings(), source=None).exit_code
    except SmallgaugeError as error:
        return error.exit_code


def code_after(fault: Fault, package: Path, place: Path) -> int:
    """The exit code of `prove` on a copy with one fault."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(package, place / "package")
    fault.do(place / "package")
    return exit_code(place / "package")


def digests(folder: Path) -> dict[str, str]:
    return {place: hashlib.sha256((folder / place).read_bytes()).hexdigest() for place in files_of(folder)}


def test_an_untouched_package_is_proved_wherever_it_lies_and_left_as_it_was(package, tmp_path):
    """No reel's folder, no journal, no right to write."""
    copy = Path(shutil.copytree(package, tmp_path / "a stick"))
    before = digests(copy)
    for path in (copy, *copy.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    outcome = prove_folder(copy, settings(), source=None, out=tmp_path / "proofs")
    assert outcome.exit_code == 0 and outcome.proved
    assert digests(copy) == before
    assert [p.name for p in (tmp_path / "proofs").iterdir()] == ["small.proof.json"]
    for path in (copy, *copy.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)


def test_sealing_alone_is_no_fault(silent_package, tmp_path):
    assert code_after(Fault("none", "", seal), silent_package, tmp_path / "x") == 0


def seeded() -> list[int]:
    """A few of the campaign's faults, drawn by its own number."""
    return sorted(np.random.default_rng(SEED + 1).choice(200, 6, replace=False).tolist())


@pytest.mark.parametrize("number", seeded())
def test_a_fault_in_a_file_is_found(package, tmp_path, number):
    fault = draw_file_faults(package, np.random.default_rng(SEED))[number]
    assert code_after(fault, package, tmp_path / "x") == 4, fault


@pytest.mark.parametrize("number", [0, 2, 22, 24, 28])
def test_a_sealed_fault_is_found(silent_package, tmp_path, number):
    """Digests all agree: only the pictures tell."""
    fault = draw_sealed_faults(FRAMES, np.random.default_rng(SEED))[number]
    assert code_after(fault, silent_package, tmp_path / "x") in (1, 4), fault


@pytest.mark.campaign
def test_every_fault_is_found(package, silent_package, tmp_path, capsys):
    """All faults, one at a time; the count by kind stands in docs/reliability.md."""
    chance = np.random.default_rng(SEED)
    cases = [(fault, package) for fault in draw_file_faults(package, chance)]
    cases += [(fault, silent_package) for fault in draw_sealed_faults(FRAMES, chance)]
    missed, kinds = [], {}
    for fault, base in cases:
        code = code_after(fault, base, tmp_path / "x")
        kinds[fault.kind] = kinds.get(fault.kind, 0) + 1
        if code not in (1, 4):
            missed.append((fault.kind, fault.file, code))
    for base in (package, silent_package):
        assert exit_code(base) == 0
    with capsys.disabled():
        print(f"\n{len(cases)} faults, {len(missed)} missed; by kind {kinds}")
    assert len(cases) >= 300
    assert not missed
