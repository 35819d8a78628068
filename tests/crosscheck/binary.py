"""Asks the program for its figures: `trimdrift crosscheck`, one JSON request a line."""

import json
import subprocess
from pathlib import Path


class Refused(Exception):
    """The program could not be run, or it called a request wrong."""


def plain(value: object) -> object:
    """Arguments as JSON has them; fractions as text, which the program reads to the last bit."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dict):
        return {key: plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(each) for each in value]
    return value


def ask(binary: Path, requests: list[tuple[str, dict]]) -> list[object]:
    """Answers to requests, in order."""
    lines = [json.dumps({"what": what, "args": plain(args)}, allow_nan=False) for what, args in requests]
    try:
        done = subprocess.run(
            [binary, "crosscheck"], input="\n".join(lines) + "\n", capture_output=True, text=True, check=False
        )
    except OSError as error:
        raise Refused(f"cannot run {binary}: {error}; build with `cargo build --release`") from error
    if done.returncode != 0:
        raise Refused(f"{binary} crosscheck left with code {done.returncode}: {done.stderr.strip()}")
    replies = [json.loads(line) for line in done.stdout.splitlines()]
    if len(replies) != len(requests):
        raise Refused(f"{len(requests)} requests, {len(replies)} replies")
    for line, reply in zip(lines, replies):
        if "error" in reply:
            raise Refused(f"{reply['error']}: {line[:200]}")
    return [reply["answer"] for reply in replies]
