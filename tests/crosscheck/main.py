"""Runs all checks against the program and proves that each of them can fail.

    main.py [--binary PATH] [--seed N] [--only NAME] [--list]
"""

import argparse
import importlib.metadata
import math
import os
import platform
import sys
import time
import warnings
from pathlib import Path

import case
from binary import Refused, ask

# Importing registers the checks.
import check_special  # noqa: F401
import check_robust  # noqa: F401
import check_regression  # noqa: F401
import check_counts  # noqa: F401
import check_trend  # noqa: F401
import check_survival  # noqa: F401
import check_before_after  # noqa: F401
import check_sequential  # noqa: F401

ROOT = Path(__file__).resolve().parents[2]
LIBRARIES = ["numpy", "scipy", "statsmodels", "pymannkendall", "lifelines", "ruptures"]
SHOWN = 3
"""Mismatches shown per check; the rest are counted."""


class Tally:
    """Passed and failed cases."""

    def __init__(self) -> None:
        self.passed = 0
        self.failed = 0

    def note(self, good: bool) -> bool:
        """Counts one case."""
        self.passed += good
        self.failed += not good
        return good


def run(check: case.Check, binary: Path, seed: int, tally: Tally) -> None:
    """Runs one check's cases, prints a line, and shows what differs."""
    start = time.perf_counter()
    cases = [check.case(seed, number) for number in range(check.cases)]
    answers = ask(binary, [(check.what, args) for args, _ in cases])
    wrong = []
    figures = 0
    for number, (answer, (_, expected)) in enumerate(zip(answers, cases)):
        figures += sum(1 for _ in case.pairs(answer, expected))
        found = check.mismatches(answer, expected)
        if not tally.note(not found):
            wrong.append((number, found))
    took = time.perf_counter() - start
    verdict = "ok" if not wrong else f"{len(wrong)} DIFFER"
    print(f"{check.name:28} {check.cases:4} cases {figures:6} figures {took:5.1f} s  {verdict:10} {check.against}")
    for number, found in wrong[:SHOWN]:
        print(f"    case {number} of --seed {seed} --only {check.name}: {'; '.join(found[:4])}")
    caught, asked = perturbed(check, answers[0], cases[0][1])
    if not tally.note(asked > 0 and caught == asked):
        print(f"    of {asked} deliberately perturbed figures only {caught} were caught")


def perturbed(check: case.Check, answer: object, expected: object) -> tuple[int, int]:
    """Spoils every compared figure of a good answer in turn; how many are caught, of how many."""
    caught = asked = 0
    for path, got, want in case.pairs(answer, expected):
        number = case.as_number(want)
        # The answer may itself be off by what is allowed: three times that can't be excused.
        good = number is not None and math.isfinite(number)
        figure = case.as_number(got) + 3.0 * check.allowed(path, number) + 5e-324 if good else 1.0
        caught += bool(check.mismatches(case.moved(answer, path, figure), expected))
        asked += 1
    return caught, asked


def all_served_are_checked(binary: Path, tally: Tally) -> None:
    """Every request that the program serves must be held against something."""
    served = set(ask(binary, [("list", {})])[0])
    checked = {check.what for check in case.CHECKS}
    if not tally.note(served == checked):
        print(f"served but not checked: {sorted(served - checked)}; checked but not served: {sorted(checked - served)}")


def default_binary() -> Path:
    """Where `cargo build --release` puts the program."""
    return Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target")) / "release" / "trimdrift"


def main() -> int:
    """Runs what the arguments ask for; 0 if everything agrees."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", type=Path, default=default_binary())
    parser.add_argument("--seed", type=int, default=20240229)
    parser.add_argument("--only", help="run the checks whose name contains this")
    parser.add_argument("--list", action="store_true", help="list the checks")
    args = parser.parse_args()
    chosen = [check for check in case.CHECKS if not args.only or args.only in check.name]
    if args.list:
        for check in chosen:
            print(f"{check.name:28} {check.cases:4} cases  {check.against}")
        return 0
    print(f"Python {platform.python_version()}, " + ", ".join(f"{n} {importlib.metadata.version(n)}" for n in LIBRARIES))
    print(f"seed {args.seed}, {args.binary}")
    # Libraries warn about small samples and boundaries, which is where some cases are meant to be.
    warnings.simplefilter("ignore")
    tally = Tally()
    try:
        for check in chosen:
            run(check, args.binary, args.seed, tally)
        if not args.only:
            all_served_are_checked(args.binary, tally)
    except Refused as error:
        print(f"crosscheck: {error}")
        tally.note(False)
    if tally.passed == 0:
        tally.note(False)
    print(f"{tally.passed} passed, {tally.failed} failed")
    return 0 if tally.failed == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
