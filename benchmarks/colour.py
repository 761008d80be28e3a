"""User CPU of the pixel program with colour, a 2048x1536 frame, beside OpenColorIO's processor on the same frame.

`python -m benchmarks.colour`: median of 5, one thread. Move, colour, display encoding and dither are in our figures;
OpenColorIO's is its formulas alone (densities, matrix, slope-offset-power, exponent), on light in single precision.
"""

import statistics
import time

import numpy as np

from smallgauge.picture.colour import FrameColour
from smallgauge.picture.density import light_table
from smallgauge.picture.dyefade import FadeCorrection
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.negative import InversionDecision, solve_inversion
from smallgauge.picture.primary import ColourDecisionList, PrinterPoints
from smallgauge.picture.rendering import OutputRendering
from smallgauge.picture.resample import Move
from smallgauge.picture.selective import HueWindow

WIDTH, HEIGHT, TIMES = 2048, 1536, 5
LAMP = (0.9, 0.9, 0.9)


def polynomial(second: float) -> tuple[tuple[float, ...], ...]:
    """Ten terms a row: nearly the identity, with terms of the second degree of this size."""
    rows = ((0.0, 1.0, 0.1, 0.0), (0.0, 0.1, 1.0, 0.1), (0.0, 0.0, 0.1, 1.0))
    return tuple((*row, *(second,) * 6) for row in rows)


def cases() -> dict[str, FrameColour | None]:
    """What is asked of a frame's colour."""
    output = OutputRendering(white=(0.1, 0.1, 0.1), black=(3.0, 3.0, 3.0))
    linear, broad = polynomial(0.0), polynomial(0.01)
    fade = FadeCorrection(before=linear, gain=(1.2, 1.0, 1.1), after=linear)
    flicker = FlickerCorrection(terms=((0.01,) * 7,) * 3, middle=(1.0, 1.0, 1.0))
    decisions = ColourDecisionList(slope=(1.1, 1.0, 0.9), power=(1.1, 1.0, 1.0), saturation=1.1)
    return {
        "no colour": None,
        "lamp, white, black": FrameColour(lamp=LAMP, output=output),
        "slope, offset, power": FrameColour(output=output, decision_list=decisions),
        "fading, narrow light": FrameColour(lamp=LAMP, output=output, fade=fade),
        "flicker, fading, printer points": FrameColour(
            lamp=LAMP, output=output, flicker=flicker, fade=fade, points=PrinterPoints(red=2.0)
        ),
        "fading, broad light": FrameColour(
            lamp=LAMP, output=output, fade=FadeCorrection(before=broad, gain=(1.2, 1.0, 1.1), after=broad)
        ),
        "negative": FrameColour(
            lamp=LAMP, output=output, negative=solve_inversion(InversionDecision(base=(0.2, 0.5, 0.8)))
        ),
        "hue window": FrameColour(output=output, hues=(HueWindow(centre_deg=120.0, saturation=1.2),)),
    }


def milliseconds(work: object) -> float:
    """Median user CPU of calls, after one that is not counted."""
    work()  # type: ignore[operator]
    took = []
    for _ in range(TIMES):
        begin = time.process_time()
        work()  # type: ignore[operator]
        took.append(time.process_time() - begin)
    return 1e3 * statistics.median(took)


def open_colour_io(samples: np.ndarray) -> float:
    """The same kind of formulas through OpenColorIO's CPU processor, in place on light."""
    import PyOpenColorIO as ocio

    config = ocio.Config.CreateRaw()
    group = ocio.GroupTransform()
    group.appendTransform(ocio.LogTransform(base=10.0))
    group.appendTransform(
        ocio.MatrixTransform(matrix=[1, 0.1, 0, 0, 0.1, 1, 0.1, 0, 0, 0.1, 1, 0, 0, 0, 0, 1])
    )
    group.appendTransform(ocio.LogTransform(base=10.0, direction=ocio.TRANSFORM_DIR_INVERSE))
    group.appendTransform(ocio.CDLTransform(slope=[1.1, 1.0, 0.9], sat=1.1))
    group.appendTransform(ocio.ExponentTransform(value=[1 / 2.4, 1 / 2.4, 1 / 2.4, 1.0]))
    processor = config.getProcessor(group).getDefaultCPUProcessor()
    light = np.maximum(samples[:HEIGHT, :WIDTH].astype(np.float32) / 4095, 1e-4)
    return milliseconds(lambda: processor.applyRGB(light.copy()))


def main() -> None:
    """Print the table."""
    samples = np.random.default_rng(0).integers(200, 4000, (HEIGHT + 10, WIDTH + 20, 3)).astype(np.uint16)
    table = np.pad(light_table(bits=12, code_values="linear"), (0, 65536 - 4096), mode="edge")
    out = np.empty((HEIGHT, WIDTH, 3), np.uint16)
    print("| what is asked | ms of user CPU a frame |\n|---|---|")
    for name, colour in cases().items():
        took = milliseconds(
            lambda colour=colour: finish_frame(
                samples,
                table,
                move=Move(c=10.3, f=5.4),
                width=WIDTH,
                height=HEIGHT,
                bits=12,
                frame=1,
                colour=colour,
                out=out,
            )
        )
        print(f"| {name} | {took:.0f} |")
    print(
        f"| OpenColorIO: densities, matrix, slope and saturation, exponent; no move, no dither | {open_colour_io(samples):.0f} |"
    )


if __name__ == "__main__":
    main()
