"""What the benchmarks share: their own virtual environment, a measured process, the facts of the machine."""

import hashlib
import importlib.metadata
import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CACHE = Path(os.environ.get("TRIMDRIFT_CI_CACHE") or Path.home() / ".cache" / "trimdrift-ci")
DEFAULT_BINARY = Path(os.environ.get("CARGO_TARGET_DIR") or ROOT / "target") / "release" / "trimdrift"


def enter_environment() -> None:
    """Restarts the script in a virtual environment with the pinned requirements, made on first use."""
    wanted = HERE / "requirements.txt"
    key = hashlib.sha256(platform.python_version().encode() + wanted.read_bytes()).hexdigest()[:16]
    home = CACHE / f"bench-{key}"
    if Path(sys.prefix) == home:
        return
    if not (home / "complete").exists():
        print(f"making the virtual environment {home}", file=sys.stderr)
        subprocess.run([sys.executable, "-m", "venv", "--clear", home], check=True)
        subprocess.run([home / "bin" / "pip", "install", "--quiet", "-r", wanted], check=True)
        (home / "complete").touch()
    os.execv(home / "bin" / "python", [str(home / "bin" / "python"), *sys.argv])


@dataclass
class Measured:
    """One run of a process."""

    seconds: float
    """Wall time from start to end."""
    cpu: float
    """User and system time of all its threads."""
    peak_mb: float
    """Largest resident memory, MB (10^6 bytes)."""
    output: str
    code: int


def measure(command: list, *, env: dict | None = None, quiet: bool = True) -> Measured:
    """Runs a command to its end; its resources are the kernel's own account."""
    # What earlier runs have left to be written must not be charged to this one.
    os.sync()
    start = time.perf_counter()
    process = subprocess.Popen(
        [str(part) for part in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE if quiet else None,
        env={**os.environ, **(env or {})},
        text=True,
    )
    # Both streams are small (a few lines), so reading one after the other can't block the process.
    output = process.stdout.read()
    errors = process.stderr.read() if quiet else ""
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0 and errors:
        print(errors[-2000:], file=sys.stderr)
    return Measured(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1.024e-3, output, process.returncode)


def facts(binary: Path, packages: list[str]) -> str:
    """Machine and versions, one line each."""
    model = next(
        (line.split(":", 1)[1].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line),
        platform.processor(),
    )
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    version = subprocess.run([binary, "--version"], capture_output=True, text=True, check=True).stdout.strip()
    load = os.getloadavg()[0]
    lines = [
        f"{len(os.sched_getaffinity(0))} cores of {model}, {memory:.0f} GiB, Linux {platform.release()}",
        f"{version}, Python {platform.python_version()}, "
        + ", ".join(f"{name} {importlib.metadata.version(name)}" for name in packages),
        f"load average before the first run {load:.2f}",
    ]
    if os.sched_getscheduler(0) == os.SCHED_RR:
        lines.append("real-time priority: other work hardly counts")
    elif load > 0.5:
        lines.append("OTHER WORK IS RUNNING: wall times are too long; run under `chrt -r 1` or compare CPU seconds")
    return "\n".join(lines)


def median(values: list[float]) -> float:
    """Median of a few values."""
    ordered = sorted(values)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
