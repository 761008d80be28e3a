"""Every measurement and every comparison with general-purpose baselines, one after the other.

    python -m benchmarks [NAME ...]

Without a name all of those that need no folder of their own. Those that write their part of docs/benchmarks.md do so.
"""

import runpy
import sys

WRITING = ("codec", "fused", "kernels", "passes", "growth", "workers")
NAMES = (
    *WRITING,
    "account",
    "between",
    "colour",
    "completeness",
    "dirt",
    "fading",
    "flicker",
    "follow",
    "grain",
    "hairs",
    "recovery",
    "registration",
    "resample",
    "scenes",
    "scratches",
    "sound",
    "sound_faults",
    "splices",
    "stills",
    "wild",
)


def main() -> None:
    """Run them."""
    for name in sys.argv[1:] or NAMES:
        print(f"\n## {name}\n", flush=True)
        sys.argv = [name, *(["--write"] if name in WRITING else [])]
        runpy.run_module(f"benchmarks.{name}", run_name="__main__")


if __name__ == "__main__":
    main()
