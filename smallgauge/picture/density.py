"""Code values, linear light and density: what a stored number says of the film.

light_table       encoding of the capture  -> light of every code value
light_of_samples  code values, table       -> light
density_of_light  light                    -> density (base 10)
light_of_density  density                  -> light

Light is linear, 0 (no light) to 1 (open gate: bare light through the perforation).
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

GAMMA_CURVES = ("iec61966-2-1", "bt709", "bt1886")
LIGHT_FLOOR = 1e-6  # density 6, twice that of the densest film: common practice, no source


def light_table(
    *,
    bits: int,
    code_values: str,
    gamma_curve: str | None = None,
    log_density_range: float | None = None,
    code_black: float = 0.0,
    code_open_gate: float | None = None,
) -> NDArray[np.float32]:
    """Linear light of every code value of a capture.

    Parameters
    ----------
    bits : int
        Bits of a code value, 8 to 16.
    code_values : {"linear", "gamma", "log"}
        How light was turned into code values.
    gamma_curve : str, optional
        For "gamma", needed: "iec61966-2-1" (sRGB), "bt709" (camera curve of ITU-R BT.709, undone),
        "bt1886" (display curve, exponent 2.4) or an exponent written as a number, such as "2.2".
    log_density_range : float, optional
        For "log", needed: the densities between the two ends of the scale, above 0. The code value
        stands at `1 + log10(light) / log_density_range` of the way from black to open gate.
    code_black, code_open_gate : float
        Code values of no light and of the open gate. By default 0 and the highest code.

    Returns
    -------
    float32 array, shape (2 ** bits,)
        Light, 0 or more, never NaN: 0 below `code_black`, 1 at `code_open_gate`, above 1 beyond it.

    Raises
    ------
    CallerError
        When the encoding is not known or its numbers cannot be.

    Notes
    -----
    Sources: IEC 61966-2-1, BT.709, BT.1886; linear and log by definition.

    Examples
    --------
    >>> table = light_table(bits=10, code_values="log", log_density_range=3.0)
    >>> print(table.shape, table[1023], table[682].round(4))
    (1024,) 1.0 0.1
    """
    if not 8 <= bits <= 16:
        raise CallerError(
            f"A code value has 8 to 16 bits, got {bits}; give the bits as stored in the capture."
        )
    open_gate = float(2**bits - 1) if code_open_gate is None else float(code_open_gate)
    if not (np.isfinite(code_black) and np.isfinite(open_gate) and code_black < open_gate):
        raise CallerError(
            f"code_black must lie below code_open_gate, got {code_black:g} and {open_gate:g}; "
            "correct them in capture.toml."
        )
    codes = np.arange(2**bits, dtype=np.float64)
    signal = (codes - float(code_black)) / (open_gate - float(code_black))
    light = _light_of_signal(
        np.maximum(signal, 0.0),
        code_values=code_values,
        gamma_curve=gamma_curve,
        log_density_range=log_density_range,
    )
    return np.where(signal < 0.0, 0.0, light).astype(np.float32)


def _light_of_signal(
    signal: NDArray[np.float64],
    *,
    code_values: str,
    gamma_curve: str | None,
    log_density_range: float | None,
) -> NDArray[np.float64]:
    """Light of a signal that is 0 at black and 1 at the open gate."""
    if code_values == "linear":
        return signal
    if code_values == "gamma":
        return _undo_gamma(signal, gamma_curve=gamma_curve)
    if code_values == "log":
        if log_density_range is None or not (np.isfinite(log_density_range) and log_density_range > 0.0):
            raise CallerError(
                "Log code values need log_density_range, the densities from black to open gate, "
                f"as a number above 0, got {log_density_range}; state it in capture.toml."
            )
        return np.power(10.0, log_density_range * (signal - 1.0))
    raise CallerError(f'code_values must be "linear", "gamma" or "log", got "{code_values}".')


def _undo_gamma(signal: NDArray[np.float64], *, gamma_curve: str | None) -> NDArray[np.float64]:
    """Light of a signal, for a named curve or an exponent written as a number."""
    if gamma_curve == "iec61966-2-1":
        # IEC 61966-2-1: below 0.04045 a straight line, above it exponent 2.4 with offset 0.055
        return np.where(signal <= 0.04045, signal / 12.92, np.power((signal + 0.055) / 1.055, 2.4))
    if gamma_curve == "bt709":
        # ITU-R BT.709, item 1.2: V = 1.099 L^0.45 - 0.099 for L >= 0.018, V = 4.500 L below; undone.
        # The rounded constants do not meet: a signal from 0.0810 to 0.0812 is no light's; it counts as 0.018.
        curved = np.maximum(np.power((signal + 0.099) / 1.099, 1.0 / 0.45), 0.018)
        return np.where(signal < 0.081, signal / 4.5, curved)
    if gamma_curve == "bt1886":
        return np.power(signal, 2.4)  # ITU-R BT.1886, annex 1, with black at 0
    try:
        exponent = float(gamma_curve) if gamma_curve is not None else np.nan
    except ValueError:
        exponent = np.nan
    if not 0.0 < exponent < 10.0:
        raise CallerError(
            f'Gamma code values need gamma_curve, one of "{", ".join(GAMMA_CURVES)}" or an exponent '
            f"between 0 and 10, got {gamma_curve!r}; state it in capture.toml."
        )
    return np.power(signal, exponent)


def light_of_samples(
    samples: NDArray[np.uint8] | NDArray[np.uint16], table: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Look up the light of each code value.

    Parameters
    ----------
    samples : uint8 or uint16 array, any shape
        Code values. One beyond the table counts as the highest.
    table : float32 array, one-dimensional
        What `light_table` gave.

    Returns
    -------
    float32 array of the same shape
        Light.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> table = light_table(bits=8, code_values="linear")
    >>> print(light_of_samples(np.array([0, 51, 255], np.uint8), table))
    [0.  0.2 1. ]
    """
    return table[np.minimum(samples, len(table) - 1)]


def light_planes_of_samples(
    samples: NDArray[np.uint8] | NDArray[np.uint16],
    table: NDArray[np.float32],
    *,
    planes: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """The same as `light_of_samples` for a colour frame, each channel in one piece of memory.

    Parameters
    ----------
    samples : uint8 or uint16 array, shape (height, width) or (height, width, 3)
        Code values. One beyond the table counts as the highest.
    table : float32 array, one-dimensional
        What `light_table` gave.
    planes : float32 array, shape (3, height, width), optional
        Where to put the light of a colour frame; the result is then a view of it.

    Returns
    -------
    float32 array of the samples' shape
        Light. Of a colour frame `light[:, :, channel]` lies in one piece, so that it need not be copied.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> table = light_table(bits=8, code_values="linear")
    >>> light = light_planes_of_samples(np.array([[[0, 51, 255]]], np.uint8), table)
    >>> print(light[0, 0])
    [0.  0.2 1. ]
    """
    if samples.ndim != 3 or samples.shape[2] != 3:
        return light_of_samples(samples, table)
    from smallgauge.picture.kernels_light import look_up_planes

    height, width = samples.shape[:2]
    if planes is None:
        planes = np.empty((3, height, width), np.float32)
    look_up_planes(np.ascontiguousarray(samples).reshape(height, 3 * width), table, planes)
    return planes.transpose(1, 2, 0)


def density_of_light(light: NDArray[np.floating], *, floor: float = LIGHT_FLOOR) -> NDArray[np.floating]:
    """Density, base 10: how much the film holds back of the open gate's light.

    Parameters
    ----------
    light : floating array, any shape
        Linear light, open gate 1.
    floor : float
        Light below this counts as this, so that no light gives a finite density
        (6 by default, beyond any film).

    Returns
    -------
    array of the same shape and type
        Density; 0 at the open gate, below 0 where brighter. NaN where `light` is NaN.

    Raises
    ------
    CallerError
        If `floor` is not above 0.

    Notes
    -----
    Source: definition (minus log10 of the transmitted share of the light).

    Examples
    --------
    >>> print(density_of_light(np.array([1.0, 0.01, 0.0])))
    [-0.  2.  6.]
    """
    if not floor > 0.0:
        raise CallerError(f"The least light that counts must be above 0, got {floor}.")
    density: NDArray[np.floating] = -np.log10(np.maximum(light, light.dtype.type(floor)))
    return density


def light_of_density(density: NDArray[np.floating]) -> NDArray[np.floating]:
    """Linear light, open gate 1, of a base-10 density.

    Parameters
    ----------
    density : floating array, any shape

    Returns
    -------
    array of the same shape and type
        Light, above 0. NaN where `density` is NaN.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> print(light_of_density(np.array([0.0, 2.0])))
    [1.   0.01]
    """
    light: NDArray[np.floating] = np.power(density.dtype.type(10.0), -density)
    return light
