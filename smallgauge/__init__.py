"""smallgauge: everything around a film scanner's run."""

__version__ = "0.1.0"
