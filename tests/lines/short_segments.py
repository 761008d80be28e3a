"""The command line with segments of 4 frames, so that a small reel has several: run as a program by the tests."""

import sys

import smallgauge.record.recipe

smallgauge.record.recipe.SEGMENT_FRAMES = 4

if __name__ == "__main__":
    from smallgauge import cli

    sys.exit(cli.main())
