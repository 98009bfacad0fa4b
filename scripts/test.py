"""Run every check: `python3 scripts/test.py [arguments for pytest]`.

Makes its own environment first. All stages run, whatever the earlier ones said; pytest comes last, so that
its summary closes a good run.
"""

from __future__ import annotations

import subprocess
import sys

from _setup import ROOT, TEST_PACKAGES, prepare, say

STAGES = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy": ["mypy"],
    "pytest": ["pytest", "-n", "2", "--doctest-modules", "--durations", "10"],
}


def main() -> int:
    """Run the stages; return pytest's own exit code, or 1 where another stage failed."""
    python = prepare("test", TEST_PACKAGES)
    codes = {}
    for stage, words in STAGES.items():
        say(stage)
        arguments = sys.argv[1:] if stage == "pytest" else []
        codes[stage] = subprocess.run([python, "-m", *words, *arguments], cwd=ROOT).returncode
        if codes[stage] and stage != "pytest":
            say(f"{stage} FAILED")
    failed = [stage for stage, code in codes.items() if code]
    if failed:
        print(f"not in order: {', '.join(failed)}", file=sys.stderr)
    return codes["pytest"] or int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
