"""A processor that stands in for a card: kernels compiled as C++, arrays NumPy's. For what the kernels do, not for speed."""

import ctypes
import re
import shutil
import subprocess
import tempfile
from contextlib import nullcontext
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

HEADER = Path(__file__).with_name("card_stand_in.h")
COMPILER = shutil.which("g++")
KERNEL = re.compile(r'extern "C" __global__ void (\w+)\(([^)]*)\) \{(.*?)^\}', re.DOTALL | re.MULTILINE)
TURNS = re.compile(r"__syncthreads|__shfl")


@cache
def compiled(text: str) -> ctypes.CDLL:
    """The kernels of a text, each as run_NAME(grid, block, arguments)."""
    starts = []
    for name, arguments, body in KERNEL.findall(text):
        kinds = [re.sub(r"\w+$", "", " ".join(each.split())).strip() for each in arguments.split(",")]
        given = ", ".join(f"*({kind}*)given[{n}]" for n, kind in enumerate(kinds))
        turns = "true" if TURNS.search(body) else "false"
        starts.append(
            f'extern "C" void run_{name}(const int *grid, const int *block, void **given)'
            f"{{ stand_in::run(grid, block, {turns}, [&] {{ {name}({given}); }}); }}"
        )
    with tempfile.TemporaryDirectory() as folder:
        source, library = Path(folder) / "kernels.cpp", Path(folder) / "kernels.so"
        source.write_text(f'#include "{HEADER}"\n{text}\n' + "\n".join(starts), encoding="utf-8")
        told = ["-O2", "-std=c++17", "-ffp-contract=off", "-fPIC", "-shared", "-U_FORTIFY_SOURCE", "-w"]
        told += ["-o", str(library), str(source)]
        subprocess.run([COMPILER, *told], check=True)
        return ctypes.CDLL(str(library))


class Module:
    """Stands in for cupy.RawModule."""

    def __init__(self, *, code: str, options: tuple[str, ...]) -> None:
        self._library = compiled(code)

    def get_function(self, name: str) -> Any:
        start = getattr(self._library, f"run_{name}")

        def run(
            grid: tuple[int, ...], block: tuple[int, ...], given: tuple[Any, ...], shared_mem: int = 0
        ) -> None:
            held, addresses = [], []
            for each in given:
                if isinstance(each, np.ndarray):
                    assert each.flags.c_contiguous
                    own: Any = ctypes.c_void_p(each.ctypes.data)
                    addresses.append(ctypes.cast(ctypes.byref(own), ctypes.c_void_p))
                else:
                    own = np.array(each)
                    addresses.append(ctypes.c_void_p(own.ctypes.data))
                held.append(own)
            sizes = [(ctypes.c_int * 3)(*each, *(1,) * (3 - len(each))) for each in (grid, block)]
            start(*sizes, (ctypes.c_void_p * len(addresses))(*addresses))

        return run


class Device(nullcontext[None]):
    """Stands in for cupy.cuda.Device."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.attributes = {"MultiProcessorCount": 1}


def asnumpy(values: Any, out: Any = None) -> Any:
    """As CuPy's."""
    if out is None:
        return np.array(values)
    out[...] = values
    return out


def stand_in() -> Any:
    """What is used of CuPy."""
    names = ("asarray", "ascontiguousarray", "empty", "empty_like", "zeros", "sort", "abs")
    there = {name: getattr(np, name) for name in names}
    runtime = SimpleNamespace(
        getDeviceCount=lambda: 1,
        getDeviceProperties=lambda n: {"name": b"a processor that stands in"},
        CUDARuntimeError=RuntimeError,
    )
    cuda = SimpleNamespace(Device=Device, runtime=runtime)
    return SimpleNamespace(**there, asnumpy=asnumpy, RawModule=Module, cuda=cuda)


def modules() -> dict[str, Any]:
    """What `sys.modules` is told for it."""
    return {"cupy": stand_in(), "cupyx": SimpleNamespace(empty_pinned=np.empty)}
