"""Runs a program on a pseudo-terminal and answers its prompts, as a person would.

    terminal.py ANSWERS PROGRAM ARGUMENT...

ANSWERS are lines separated by commas; `^C` is the interrupt key. Each prompt (`> ` after a line feed) gets the next one; when there are none left the
terminal is closed. What the program writes goes to standard output; the exit code is the program's.
"""

import os
import pty
import sys

answers = sys.argv[1].split(",")
child, terminal = pty.fork()
if child == 0:
    os.execvp(sys.argv[2], sys.argv[2:])
seen = b""
while True:
    try:
        some = os.read(terminal, 4096)
    except OSError:
        break
    if not some:
        break
    sys.stdout.buffer.write(some)
    seen += some
    if seen.endswith(b"\n> "):
        seen = b""
        if not answers:
            os.close(terminal)
            break
        answer = answers.pop(0)
        os.write(terminal, b"\x03" if answer == "^C" else answer.encode() + b"\n")
_, status = os.waitpid(child, 0)
sys.stdout.flush()
sys.exit(os.waitstatus_to_exitcode(status))
