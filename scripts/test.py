"""Run every check: `python3 scripts/test.py [arguments for pytest]`.

Makes its own environment first. All stages run, whatever the earlier ones said; pytest comes last, so that
its summary closes a good run.
"""

from __future__ import annotations

import os
import subprocess
import sys

from _setup import ROOT, TEST_PACKAGES, prepare, say

STAGES = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy": ["mypy"],
    # Each worker begins with one half, in order: what a file makes once for its tests is seldom made twice.
    "pytest": ["pytest", "-n", "2", "--dist", "worksteal", "--doctest-modules", "--durations", "10"],
}


#: Two workers share the machine: threads of a library beneath them would only wait for each other.
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def main() -> int:
    """Run the stages; return pytest's own exit code, or 1 where another stage failed."""
    python = prepare("test", TEST_PACKAGES)
    codes = {}
    apart = ONE_THREAD | dict(os.environ)
    for stage, words in STAGES.items():
        say(stage)
        arguments = sys.argv[1:] if stage == "pytest" else []
        codes[stage] = subprocess.run([python, "-m", *words, *arguments], cwd=ROOT, env=apart).returncode
        if codes[stage] and stage != "pytest":
            say(f"{stage} FAILED")
    failed = [stage for stage, code in codes.items() if code]
    if failed:
        print(f"not in order: {', '.join(failed)}", file=sys.stderr)
    return codes["pytest"] or int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
