"""What reading or measuring a frame does to the process that does it, which starts afresh: the environment tells."""

import json
import os
import signal
import time

TOLD = "SMALLGAUGE_TESTS_HARM"  # {"what": a name below, "where": "read" or "measure", "frames": numbers}


def kill_itself():
    os.kill(os.getpid(), signal.SIGKILL)


def stall():
    time.sleep(600)


def take_memory():
    bytearray(12 * 2**30)


HARMS = {each.__name__: each for each in (kill_itself, stall, take_memory)}


def start(counter):
    """The start of an expendable process as the program makes it, and then the harm."""
    import smallgauge.record.recipe
    from smallgauge import crew
    from smallgauge.analyse.meter import Meter
    from smallgauge.media import picture_in

    crew._start(counter)
    smallgauge.record.recipe.SEGMENT_FRAMES = 4
    told = json.loads(os.environ[TOLD])
    harm = HARMS[told["what"]]
    if told["where"] == "read":
        read_still = picture_in.read_still

        def read(path, header):
            if path.name in {f"frame_{n:06d}.png" for n in told["frames"]}:
                harm()
            return read_still(path, header)

        picture_in.read_still = read
    else:
        measure_frame = Meter.measure

        def measure(meter, number, frame):
            if number in told["frames"] and frame is not None:
                harm()
            return measure_frame(meter, number, frame)

        Meter.measure = measure
