"""Frames that carry their number as eight dark or light blocks, large enough to outlive the coding of a viewing copy."""

import numpy as np

FRAMES = 24
BLOCK, LEFT, TOP = 16, 110, 150  # px of a captured frame of 320 x 240; low bit first
BITS = 6


def burn(samples: np.ndarray, number: int) -> None:
    """Write a number into a captured frame."""
    rows = samples[TOP : TOP + BLOCK]
    rows[:, LEFT - BLOCK : LEFT + (BITS + 1) * BLOCK] = (
        96  # so that the first and the last block have an edge
    )
    for bit in range(BITS):
        rows[:, LEFT + BLOCK * bit : LEFT + BLOCK * (bit + 1)] = 230 if number >> bit & 1 else 15
