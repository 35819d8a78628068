"""What a check is, and when an answer counts as the expected one.

A check draws random inputs, asks a library for the expected figures, and states how close the answer must come. Only
what stands in the expectation is compared: an expectation without a key leaves that key of the answer alone.
"""

import math
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

CHECKS: list["Check"] = []
"""Every check, in the order in which it was defined."""


@dataclass(frozen=True)
class Check:
    """One statistic held against one library."""

    name: str
    what: str
    """Name of the request."""
    against: str
    """Library and option that serve as reference, and which definition that is."""
    draw: Callable[[np.random.Generator], tuple[dict, object]]
    """Random arguments and the expected answer."""
    rel: float
    """Allowed relative difference."""
    abs: float
    """Allowed absolute difference, on top."""
    cases: int
    loose: dict[str, float] = field(default_factory=dict)
    """Relative difference allowed for single keys, where the library itself is less exact."""

    def case(self, seed: int, number: int) -> tuple[dict, object]:
        """Arguments and expectation of one case; the same seed and number give the same case."""
        rng = np.random.default_rng([seed, zlib.crc32(self.name.encode()), number])
        return self.draw(rng)

    def mismatches(self, answer: object, expected: object) -> list[str]:
        """What is wrong with an answer; empty if nothing is."""
        return [
            f"{'.'.join(map(str, path)) or 'answer'}: {got!r}, expected {want!r}"
            for path, got, want in pairs(answer, expected)
            if not self.close(path, got, want)
        ]

    def close(self, path: tuple, got: object, want: object) -> bool:
        """Whether one figure is close enough."""
        got, want = as_number(got), as_number(want)
        if got is None or want is None:
            return got is want
        if not math.isfinite(want):
            return got == want or (math.isnan(want) and math.isnan(got))
        return abs(got - want) <= self.allowed(path, want)

    def allowed(self, path: tuple, want: float) -> float:
        """Difference allowed at a place of the answer."""
        return self.abs + self.loose.get(path[0] if path else "", self.rel) * abs(want)


def check(what: str, against: str, *, name: str = "", rel: float, abs: float = 0.0, cases: int = 100, **loose: float):
    """Registers a function that draws a case as a check of the request `what`."""

    def register(draw):
        CHECKS.append(Check(name or draw.__name__, what, against, draw, rel, abs, cases, loose))
        return draw

    return register


MISSING = object()
"""Stands for a figure that the answer lacks."""


def pairs(answer: object, expected: object, path: tuple = ()) -> Iterator[tuple[tuple, object, object]]:
    """Every figure of the expectation: its place, the answer's figure, the expected one."""
    if isinstance(expected, dict):
        for key, want in expected.items():
            got = answer.get(key, MISSING) if isinstance(answer, dict) else MISSING
            yield from pairs(got, want, (*path, key))
    elif isinstance(expected, (list, tuple, np.ndarray)):
        same = isinstance(answer, list) and len(answer) == len(expected)
        for i, want in enumerate(expected):
            yield from pairs(answer[i] if same else MISSING, want, (*path, i))
    else:
        yield path, answer, expected


def moved(answer: object, path: tuple, figure: float) -> object:
    """The answer with another figure at one place."""
    if not path:
        return figure
    other = dict(answer) if isinstance(answer, dict) else list(answer)
    other[path[0]] = moved(other[path[0]], path[1:], figure)
    return other


def as_number(value: object) -> float | None:
    """A figure as a number; None stays None, and what is missing or no number differs from everything."""
    if value is None:
        return None
    if value is MISSING or isinstance(value, (dict, list)):
        return math.inf
    return float(value)
