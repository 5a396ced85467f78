"""CPU seconds of ``afterplaque --help`` and of each command's help, against half a second.

Run with ``python benchmarks/help_cpu.py``. Exit code 1 when one takes longer.
"""

from __future__ import annotations

import os
import subprocess
import sys

from reports.app import COMMANDS, spell_command

LIMIT_SECONDS = 0.5
REPEATS = 5


def measure_cpu_seconds(*arguments: str) -> float:
    """Measure user and system CPU seconds of one run of the program, children included."""
    before = os.times()
    program = [sys.executable, "-c", "from reports.app import main; main()", *arguments]
    subprocess.run(program, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return (after.children_user - before.children_user) + (
        after.children_system - before.children_system
    )


def main() -> int:
    """Print the median of a few runs each; tell whether all keep the limit."""
    slowest = 0.0
    for arguments in ([], *([spell_command(name)] for name in COMMANDS)):
        seconds = sorted(measure_cpu_seconds(*arguments, "--help") for _ in range(REPEATS))
        median = seconds[REPEATS // 2]
        slowest = max(slowest, median)
        print(f"{' '.join(['afterplaque', *arguments, '--help']):40} {median:.3f} s")
    return 0 if slowest < LIMIT_SECONDS else 1


if __name__ == "__main__":
    sys.exit(main())
