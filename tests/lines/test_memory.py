"""Memory stays flat however long the reel: campaign, for it takes minutes."""

import subprocess
import sys

import pytest
from drawn_reels import small_reel

PROGRAM = """
import os, sys, threading, time
import psutil
import smallgauge.record.recipe
smallgauge.record.recipe.SEGMENT_FRAMES = 20  # so that all workers have work in both reels
from smallgauge import cli

def watch(most):
    me = psutil.Process()
    while True:
        total = 0
        for process in [me, *me.children(recursive=True)]:
            try:
                total += process.memory_info().rss
            except psutil.Error:
                pass
        most[0] = max(most[0], total)
        time.sleep(0.05)

if __name__ == "__main__":
    most = [0]
    threading.Thread(target=watch, args=(most,), daemon=True).start()
    code = cli.main(sys.argv[1:])
    print(most[0])
    sys.exit(code)
"""


@pytest.mark.campaign
@pytest.mark.parametrize("workers", [1, 2])
def test_five_times_the_reel_needs_no_more_memory(tmp_path, workers, capsys):
    """60 and 300 frames of 640 x 480: the peak of all processes together grows by less than a tenth."""
    (tmp_path / "program.py").write_text(PROGRAM)
    peaks = {}
    for frames in (60, 300):
        capture = tmp_path / f"reel-{frames}"
        small_reel(capture, width=640, height=480, frames=frames, format="dpx", fast_noise=True)
        arguments = ["finish", capture, "--out", tmp_path / "shelf", "--workers", str(workers), "--quiet"]
        said = subprocess.run(
            [sys.executable, tmp_path / "program.py", *arguments], capture_output=True, text=True, check=False
        )
        assert said.returncode == 0, said.stdout + said.stderr
        peaks[frames] = int(said.stdout.split()[-1])
    with capsys.disabled():
        print(
            f"\n{workers} workers: "
            + ", ".join(f"{n} frames {peak / 1e6:.0f} MB" for n, peak in peaks.items())
        )
    assert peaks[300] < 1.1 * peaks[60]
