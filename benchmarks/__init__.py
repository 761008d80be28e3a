"""Comparisons with general-purpose baselines, in the same run; figures go to docs/benchmarks.md."""
