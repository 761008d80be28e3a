"""A look as a Common LUT Format file (SMPTE ST 2136-1), written and read through OpenColorIO.

write_look   steps, words -> file
through_look file, light  -> what another program makes of it

A step is plain numbers; what they mean is for the caller. Lists of steps go through OpenColorIO's own transforms, so that the
file is what other programs read, and its identity follows from its content.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.whole import write_whole_bytes

Array = NDArray[np.float64]
Kind = Literal[
    "matrix", "least", "most", "logarithm", "exponential", "decision list", "curves", "table", "power"
]
FORMAT = "Academy/ASC Common LUT Format"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookStep:
    """One step. `numbers` by kind:

    "matrix": 3 x 4, the last column added; "least", "most": one value that light does not pass; "logarithm",
    "exponential": none, base 10; "decision list": slope 3, offset 3, power 3, saturation; "curves": knots x 3 over 0 to 1,
    linear between, ends held; "table": n x n x n x 3 over 0 to 1, axes red, green, blue; "power": one exponent, 0 below 0.
    """

    kind: Kind
    numbers: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class LookWords:
    """What the file says of itself: its name, what goes in and comes out, and sentences for who opens it."""

    name: str
    goes_in: str
    comes_out: str
    sentences: tuple[str, ...]


def write_look(path: Path, steps: Sequence[LookStep], words: LookWords) -> None:
    """Write a look; the same steps and words give the same bytes."""
    import PyOpenColorIO as ocio

    group = ocio.GroupTransform()
    for step in steps:
        group.appendTransform(_transform(step))
    about = group.getFormatMetadata()
    about.setName(words.name)
    for sentence in words.sentences:
        about.addChildElement("Description", sentence)
    about.addChildElement("InputDescriptor", words.goes_in)
    about.addChildElement("OutputDescriptor", words.comes_out)
    about.setID("urn:uuid:00000000-0000-0000-0000-000000000000")
    text = group.write(FORMAT, ocio.Config.CreateRaw())
    about.setID(f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_OID, text)}")
    text = group.write(FORMAT, ocio.Config.CreateRaw())
    write_whole_bytes(path, text.encode())


def through_look(path: Path, light: NDArray[np.floating]) -> NDArray[np.float32]:
    """What OpenColorIO makes of light, shape (..., 3), by a look's file, in its most exact way."""
    import PyOpenColorIO as ocio

    ocio.ClearAllCaches()  # it keeps what it read by the file's name
    transform = ocio.FileTransform(src=str(path), interpolation=ocio.INTERP_TETRAHEDRAL)
    processor = ocio.Config.CreateRaw().getProcessor(transform)
    exact = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    pixels = np.ascontiguousarray(light, np.float32).reshape(-1, 3).copy()
    exact.applyRGB(pixels)
    return pixels.reshape(np.shape(light))


def _transform(step: LookStep) -> Any:
    """A step as OpenColorIO has it."""
    import PyOpenColorIO as ocio

    numbers = step.numbers
    if step.kind == "matrix":
        square, offset = np.eye(4), np.zeros(4)
        square[:3, :3], offset[:3] = numbers[:, :3], numbers[:, 3]
        return ocio.MatrixTransform(matrix=square.ravel().tolist(), offset=offset.tolist())
    if step.kind in ("least", "most"):
        value = float(numbers)
        low = step.kind == "least"
        return (
            ocio.RangeTransform(minInValue=value, minOutValue=value)
            if low
            else ocio.RangeTransform(maxInValue=value, maxOutValue=value)
        )
    if step.kind in ("logarithm", "exponential"):
        way = ocio.TRANSFORM_DIR_FORWARD if step.kind == "logarithm" else ocio.TRANSFORM_DIR_INVERSE
        return ocio.LogTransform(base=10.0, direction=way)
    if step.kind == "decision list":
        decisions = ocio.CDLTransform(
            slope=numbers[:3].tolist(),
            offset=numbers[3:6].tolist(),
            power=numbers[6:9].tolist(),
            sat=float(numbers[9]),
        )
        decisions.setStyle(ocio.CDL_NO_CLAMP)
        return decisions
    if step.kind == "power":
        exponents = [float(numbers)] * 3 + [1.0]
        return ocio.ExponentTransform(value=exponents, negativeStyle=ocio.NEGATIVE_CLAMP)
    if step.kind == "curves":
        curves = ocio.Lut1DTransform(length=len(numbers), inputHalfDomain=False)
        curves.setData(np.ascontiguousarray(numbers, np.float32).ravel())
        curves.setInterpolation(ocio.INTERP_LINEAR)
        curves.setFileOutputBitDepth(ocio.BIT_DEPTH_F32)
        return curves
    table = ocio.Lut3DTransform(gridSize=numbers.shape[0])
    table.setData(np.ascontiguousarray(numbers, np.float32).ravel())  # blue runs fastest, as the arrays here
    table.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    table.setFileOutputBitDepth(ocio.BIT_DEPTH_F32)
    return table
