"""A person at a terminal: the program on a terminal of its own, fed key by key."""

import fcntl
import os
import pty
import select
import subprocess
import sys
import termios
import time


class Typist:
    """Types answers to `smallgauge ARGUMENTS` on a pseudo-terminal, and counts the keys."""

    def __init__(self, *arguments, env=None):
        self.mine, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "smallgauge", *arguments],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            close_fds=True,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # so that Ctrl-C reaches the program
            env={**os.environ, **(env or {})},
        )
        os.close(theirs)
        self.seen, self.keys = "", 0

    def wait_for(self, words, within_s=30):
        """Read the screen until it shows some words behind what was read before; they and what stands before are taken."""
        until = time.monotonic() + within_s
        while words not in self.seen:
            assert time.monotonic() < until, f"waited for {words!r}, saw {self.seen!r}"
            if select.select([self.mine], [], [], 0.2)[0]:
                self.seen += os.read(self.mine, 4096).decode()
        told, self.seen = self.seen.split(words, 1)
        return told + words

    def press(self, key):
        """One key stroke."""
        assert len(key) == 1
        self.keys += 1
        os.write(self.mine, key.encode())

    def write(self, words):
        """Words on the box: they are not counted."""
        os.write(self.mine, words.encode())

    def ended(self):
        """The exit code, and the rest of the screen."""
        until = time.monotonic() + 30
        while time.monotonic() < until:
            if select.select([self.mine], [], [], 0.1)[0]:
                try:
                    self.seen += os.read(self.mine, 4096).decode()
                except OSError:
                    break
            elif self.process.poll() is not None:
                break
        os.close(self.mine)
        return self.process.wait(timeout=30), self.seen
