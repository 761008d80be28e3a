"""`python -m smallgauge`: the command line."""

from smallgauge.cli import main

raise SystemExit(main())
