"""Benchmark of ingest: read, condense and commit, beside programs that only turn the same logs into one Parquet file.

    python3 tests/bench/ingest.py [--dir DIR] [--rows N] [--repeats N] [--files 30 5000] [--all]
    python3 tests/bench/ingest.py --formats            other formats beside polars, and beside plain CSV
    python3 tests/bench/ingest.py --stream GB          one long run: memory over time
    python3 tests/bench/ingest.py --stream GB --nightly    many nights: memory over the history

    sudo chrt -r 1 python3 tests/bench/ingest.py       on a machine that has other work

The fleet is generated once into DIR (about 650 MB for 4,000,000 rows) and used again. Each side runs in turn, so that a
busy machine slows all of them. The program's time is that of the whole process; a rival's leaves its start and imports
out, which favours the rival.
"""

import argparse
import shutil
import sys
import time
from pathlib import Path

import bench

bench.enter_environment()

import formats  # noqa: E402
import psutil  # noqa: E402

SEED = 7


def generated(args: argparse.Namespace, files: int, seed: int, home: Path) -> Path:
    """A folder with pipeline, register and logs, made unless it is there."""
    if not (home / "complete").exists():
        shutil.rmtree(home, ignore_errors=True)
        vehicles = min(files, 200)
        command = [args.binary, "bench-data", home, "--rows", args.rows, "--files", files, "--seed", seed]
        done = bench.measure([*command, "--vehicles", vehicles])
        if done.code != 0:
            sys.exit(f"bench-data left with code {done.code}")
        (home / "complete").touch()
    return home


def size(folder: Path, pattern: str = "*") -> int:
    """Bytes of the files in a folder, below it too."""
    return sum(file.stat().st_size for file in folder.rglob(pattern) if file.is_file())


def fresh(home: Path) -> None:
    """Removes what an earlier run has written."""
    for name in ("lake", "out", "rival.parquet"):
        path = home / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def ours(args: argparse.Namespace, home: Path) -> bench.Measured:
    """One ingest into a fresh lake."""
    fresh(home)
    done = bench.measure([args.binary, "--quiet", "ingest", home / "pipeline.toml"])
    if done.code != 0:
        sys.exit(f"ingest left with code {done.code}")
    return done


def rival(name: str, kind: str, home: Path) -> bench.Measured:
    """One run of a rival; its times are those that it prints."""
    fresh(home)
    command = [sys.executable, bench.HERE / "rivals.py", name, kind, home / "logs", home / "rival.parquet"]
    done = bench.measure(command, env={"POLARS_MAX_THREADS": "2"})
    if done.code != 0:
        sys.exit(f"{name} left with code {done.code}")
    done.seconds, done.cpu = map(float, done.output.split()[-2:])
    return done


def compare(args: argparse.Namespace, kind: str, home: Path, label: str) -> None:
    """All sides in turn, then a table."""
    names = ["polars", *(["duckdb", "pandas"] if args.all else [])]
    total = size(home / "logs")
    runs: dict[str, list[bench.Measured]] = {"trimdrift": []} | {name: [] for name in names}
    for _ in range(args.repeats):
        runs["trimdrift"].append(ours(args, home))
        for name in names:
            runs[name].append(rival(name, kind, home))
    print(f"\n{label}: {total / 1e6:.0f} MB, {args.rows:,} rows; {runs['trimdrift'][0].output.strip()}")
    print(f"{'':12}{'best s':>8}{'median s':>10}{'CPU s':>8}{'MB/s':>8}{'peak MB':>9}{'ratio':>8}{'CPU ratio':>11}")
    reference = runs["polars"]
    for name, done in runs.items():
        best, middle = min(m.seconds for m in done), bench.median([m.seconds for m in done])
        cpu = bench.median([m.cpu for m in done])
        ratio = middle / bench.median([m.seconds for m in reference])
        cpu_ratio = cpu / bench.median([m.cpu for m in reference])
        peak = max(m.peak_mb for m in done)
        print(f"{name:12}{best:8.2f}{middle:10.2f}{cpu:8.2f}{total / 1e6 / best:8.0f}{peak:9.0f}{ratio:8.2f}{cpu_ratio:11.2f}")
    fresh(home)


def other_formats(args: argparse.Namespace) -> None:
    """The large files in the other formats that a source profile knows."""
    plain = generated(args, 30, SEED, args.dir / f"csv-30-{args.rows}")
    for kind in args.kinds or formats.KINDS:
        if kind in formats.KINDS:
            home = args.dir / f"{kind}-30-{args.rows}"
            formats.convert(plain, home, kind)
            compare(args, kind, home, f"30 files as {kind}")
    beside_csv(args)


def beside_csv(args: argparse.Namespace) -> None:
    """The same samples in every form, plain CSV in the same run; a tenth of the rows, as some forms take many lines a sample."""
    rows = args.rows // 10
    tenth = argparse.Namespace(**{**vars(args), "rows": rows})
    plain = generated(tenth, 30, SEED, args.dir / f"csv-30-{rows}")
    homes = {"csv": plain}
    for kind in args.kinds or formats.KINDS + formats.GATHERED:
        homes[kind] = args.dir / f"{kind}-30-{rows}"
        formats.convert(plain, homes[kind], kind)
    runs: dict[str, list[bench.Measured]] = {kind: [] for kind in homes}
    for _ in range(args.repeats):
        for kind, home in homes.items():
            runs[kind].append(ours(args, home))
    print(f"\nthe same {rows:,} samples in every form; rates of the median run, CPU ratio to plain CSV per sample")
    print(f"{'':12}{'MB':>8}{'M rows':>8}{'s':>8}{'CPU s':>8}{'M rows/s':>10}{'MB/s':>8}{'ratio':>8}{'CPU ratio':>11}{'peak MB':>9}")
    reference = bench.median([m.seconds for m in runs["csv"]]), bench.median([m.cpu for m in runs["csv"]])
    for kind, done in runs.items():
        seconds, cpu = bench.median([m.seconds for m in done]), bench.median([m.cpu for m in done])
        megabytes, lines = size(homes[kind] / "logs") / 1e6, float(done[0].output.split(": ")[1].split()[0]) / 1e6
        print(
            f"{kind:12}{megabytes:8.1f}{lines:8.2f}{seconds:8.2f}{cpu:8.2f}{lines / seconds:10.2f}{megabytes / seconds:8.0f}"
            f"{seconds / reference[0]:8.2f}{cpu / reference[1]:11.2f}{max(m.peak_mb for m in done):9.0f}"
        )
        fresh(homes[kind])


def watched(command: list, every: float = 0.5) -> list[tuple[float, float]]:
    """Runs a command; seconds and resident MB, sampled while it runs."""
    start = time.perf_counter()
    process = psutil.Popen([str(part) for part in command])
    samples = []
    while process.poll() is None:
        try:
            samples.append((time.perf_counter() - start, process.memory_info().rss / 1e6))
        except psutil.Error:
            break
        time.sleep(every)
    if process.wait() != 0:
        sys.exit(f"ingest left with code {process.returncode}")
    return samples


def stream(args: argparse.Namespace) -> None:
    """Many gigabytes through one run, or through a night each."""
    home = args.dir / "stream"
    shutil.rmtree(home, ignore_errors=True)
    (home / "logs").mkdir(parents=True)
    total, night = 0, 0
    while total < args.stream * 1e9:
        part = generated(args, 30, SEED + 1 + night, home / "part")
        if night == 0:
            shutil.copy(part / "vehicles.csv", home)
            shutil.copy(part / "pipeline.toml", home)
        # Each seed makes other values: the same content under another name would be skipped as seen.
        for log in sorted((part / "logs").iterdir()):
            log.rename(home / "logs" / f"{night:04}_{log.name}")
        shutil.rmtree(part)
        night += 1
        if args.nightly:
            total += one_night(args, home, night)
        else:
            total = size(home / "logs")
    if not args.nightly:
        one_run(args, home, total)
    shutil.rmtree(home)


def one_night(args: argparse.Namespace, home: Path, night: int) -> int:
    """Ingests what is new, then takes it away; its bytes."""
    fed = size(home / "logs")
    done = bench.measure([args.binary, "--quiet", "ingest", home / "pipeline.toml"])
    if done.code != 0:
        sys.exit(f"ingest left with code {done.code}")
    lake = size(home / "lake")
    print(f"night {night:3}: {fed / 1e6:5.0f} MB in {done.seconds:6.2f} s, peak {done.peak_mb:5.0f} MB, lake {lake / 1e9:.2f} GB", flush=True)
    shutil.rmtree(home / "logs")
    (home / "logs").mkdir()
    return fed


def one_run(args: argparse.Namespace, home: Path, total: int) -> None:
    """One ingest of everything, its memory sampled."""
    samples = watched([args.binary, "--quiet", "ingest", home / "pipeline.toml"])
    seconds = samples[-1][0]
    print(f"{total / 1e9:.1f} GB in {seconds:.0f} s, {total / 1e6 / seconds:.0f} MB/s")
    for tenth in range(10):
        part = [mb for at, mb in samples if tenth / 10 <= at / seconds <= (tenth + 1) / 10]
        if part:
            print(f"  {10 * tenth:3} to {10 * tenth + 10:3} %: resident {bench.median(part):5.0f} MB, at most {max(part):5.0f} MB")


def main() -> None:
    """Runs what the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", type=Path, default=bench.DEFAULT_BINARY)
    parser.add_argument("--dir", type=Path, default=bench.CACHE / "bench-data", help="where the logs are kept")
    parser.add_argument("--rows", type=int, default=4_000_000)
    parser.add_argument("--files", type=int, nargs="*", default=[30, 5000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--all", action="store_true", help="duckdb and pandas too")
    parser.add_argument("--formats", action="store_true")
    parser.add_argument("--kinds", nargs="*", choices=formats.KINDS + formats.GATHERED, help="only these formats")
    parser.add_argument("--stream", type=float, metavar="GB")
    parser.add_argument("--nightly", action="store_true")
    args = parser.parse_args()
    print(bench.facts(args.binary, ["polars", "duckdb", "pandas"]))
    if args.stream:
        stream(args)
    elif args.formats:
        other_formats(args)
    else:
        for files in args.files:
            home = generated(args, files, SEED, args.dir / f"csv-{files}-{args.rows}")
            compare(args, "csv", home, f"{files} files of CSV")


if __name__ == "__main__":
    main()
