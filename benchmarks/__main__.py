"""Every comparison with general-purpose baselines, one after the other: `python -m benchmarks`."""

import runpy

for name in (
    "account",
    "between",
    "colour",
    "completeness",
    "fading",
    "flicker",
    "follow",
    "recovery",
    "registration",
    "resample",
    "scenes",
    "sound",
    "sound_faults",
    "splices",
    "stills",
    "wild",
):
    print(f"\n## {name}\n", flush=True)
    runpy.run_module(f"benchmarks.{name}", run_name="__main__")
