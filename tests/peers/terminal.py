"""Run a program on a terminal of its own (120 x 40): what comes on standard input is typed there, what it shows comes out
on standard output; the exit code is the program's.

    terminal.py run PROGRAM ARGUMENT...
"""

import fcntl
import os
import pty
import select
import struct
import sys
import termios


def main(command):
    child, screen = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm-256color"
        os.execv(command[0], command)
    fcntl.ioctl(screen, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    sources = [screen, sys.stdin.fileno()]
    while True:
        ready, _, _ = select.select(sources, [], [])
        if sys.stdin.fileno() in ready:
            typed = os.read(sys.stdin.fileno(), 1024)
            if typed:
                os.write(screen, typed)
            else:
                sources.remove(sys.stdin.fileno())
        if screen in ready:
            try:
                shown = os.read(screen, 65536)
            except OSError:
                shown = b""
            if not shown:
                break
            sys.stdout.buffer.write(shown)
            sys.stdout.buffer.flush()
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


if __name__ == "__main__":
    sys.exit(main(sys.argv[2:]) & 0xFF)
