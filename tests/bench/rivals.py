"""One rival turns a set of logs into one Parquet file and does nothing else: rivals.py NAME FORMAT FOLDER TARGET.

Prints the wall and CPU seconds that the work took, without the start of the interpreter and its imports.
"""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SUFFIXES = {"csv": "csv", "csv.gz": "csv.gz", "csv.zst": "csv.zst", "jsonl": "jsonl", "parquet": "parquet"}


@contextmanager
def timed() -> Iterator[None]:
    """Prints wall seconds, and CPU seconds of all threads."""
    start, cpu = time.perf_counter(), time.process_time()
    yield
    print(time.perf_counter() - start, time.process_time() - cpu)


def polars_(kind: str, files: list[Path], target: Path) -> None:
    """Streaming scan and sink; the thread count comes from POLARS_MAX_THREADS."""
    import polars

    scan = {"jsonl": polars.scan_ndjson, "parquet": polars.scan_parquet}.get(kind, polars.scan_csv)
    with timed():
        scan(files).sink_parquet(target)


def duckdb_(kind: str, files: list[Path], target: Path) -> None:
    """COPY on two threads."""
    import duckdb

    reader = {"jsonl": "read_json", "parquet": "read_parquet"}.get(kind, "read_csv")
    names = ", ".join(f"'{file}'" for file in files)
    with timed():
        connection = duckdb.connect(config={"threads": 2})
        connection.execute(f"COPY (SELECT * FROM {reader}([{names}])) TO '{target}' (FORMAT parquet)")


def pandas_(kind: str, files: list[Path], target: Path) -> None:
    """Each file into a frame, all frames into one."""
    import pandas

    readers = {"jsonl": lambda f: pandas.read_json(f, lines=True), "parquet": pandas.read_parquet}
    read = readers.get(kind, pandas.read_csv)
    with timed():
        pandas.concat([read(file) for file in files]).to_parquet(target)


def main() -> None:
    """Runs the rival that the arguments name."""
    name, kind, folder, target = sys.argv[1:]
    files = sorted(Path(folder).glob(f"*.{SUFFIXES[kind]}"))
    {"polars": polars_, "duckdb": duckdb_, "pandas": pandas_}[name](kind, files, Path(target))


if __name__ == "__main__":
    main()
