"""A process that writes a drawn capture as a scanner does: with real time, half files first, and stamps that lag.

    python scanner_process.py PLAN

PLAN is a JSON file: `target`, `rate`, `frames` (pairs of source file and name), `stamps` (lines of frames.csv, one a
frame, or none), `sound` (source file or none). Prints the time at which the last frame was whole.
"""

import json
import sys
import time
from pathlib import Path

STAMPS_LAG = 12  # frames by which frames.csv is behind


def write_in_halves(path: Path, data: bytes) -> None:
    """Half of the file, a pause, the rest: never a whole file at once."""
    with path.open("wb") as file:
        file.write(data[: len(data) // 2])
        file.flush()
        time.sleep(0.01)
        file.write(data[len(data) // 2 :])


def main(plan_path: str) -> None:
    plan = json.loads(Path(plan_path).read_text())
    target = Path(plan["target"])
    frames = [(Path(source).read_bytes(), name) for source, name in plan["frames"]]
    sound = Path(plan["sound"]).read_bytes() if plan["sound"] else b""
    begin = time.monotonic()
    lines = ["frame,time_s"]
    for number, (data, name) in enumerate(frames):
        time.sleep(max(0.0, begin + number / plan["rate"] - time.monotonic()))
        write_in_halves(target / name, data)
        if plan["stamps"]:
            lines.append(plan["stamps"][number])
            shown = lines[: max(1, len(lines) - STAMPS_LAG)]
            (target / "frames.csv").write_text("\n".join(shown) + "\n" + lines[-1][:3])
        if sound:
            stop = 44 + int((len(sound) - 44) * (number + 1) / len(frames)) // 3 * 3
            with (target / "sound.wav").open("r+b" if (target / "sound.wav").exists() else "w+b") as file:
                if number == 0:
                    file.write(sound[:4] + b"\0\0\0\0" + sound[8:40] + b"\0\0\0\0")
                file.seek(0, 2)
                file.write(sound[file.tell() : stop])
    last = time.monotonic()
    if plan["stamps"]:
        (target / "frames.csv").write_text("\n".join(lines) + "\n")
    if sound:
        (target / "sound.wav").write_bytes(sound)
    print(last, flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
