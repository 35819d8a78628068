"""The benchmark's plain CSV written in the other formats that a source profile knows."""

import gzip
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars
import zstandard

KINDS = ["csv.gz", "csv.zst", "jsonl", "parquet"]


def gzipped(source: Path, target: Path) -> None:
    """The same text at gzip's usual level."""
    with source.open("rb") as read, gzip.open(target, "wb", compresslevel=6) as write:
        shutil.copyfileobj(read, write, 1 << 20)


def zstd(source: Path, target: Path) -> None:
    """The same text at zstd's usual level."""
    with source.open("rb") as read, target.open("wb") as write:
        zstandard.ZstdCompressor(level=3).copy_stream(read, write)


def table(source: Path, **options) -> polars.DataFrame:
    """The rows with every signal as a number."""
    names = source.open().readline().strip().split(",")
    signals = {name: polars.Float64 for name in names if name not in ("time", "vehicle", "trip")}
    return polars.read_csv(source, schema_overrides=signals, **options)


def json_lines(source: Path, target: Path) -> None:
    """One object a row; times stay text."""
    table(source).write_ndjson(target)


def parquet(source: Path, target: Path) -> None:
    """One table a file; times as microseconds UTC."""
    table(source, try_parse_dates=True).write_parquet(target)


WRITERS = {"csv.gz": gzipped, "csv.zst": zstd, "jsonl": json_lines, "parquet": parquet}


def convert(plain: Path, home: Path, kind: str) -> None:
    """A folder like `plain` with its logs in another format and a profile that reads them, unless it is there."""
    if (home / "complete").exists():
        return
    shutil.rmtree(home, ignore_errors=True)
    (home / "logs").mkdir(parents=True)
    shutil.copy(plain / "vehicles.csv", home)
    logs = sorted((plain / "logs").glob("*.csv"))
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda log: WRITERS[kind](log, home / "logs" / f"{log.stem}.{kind}"), logs))
    pipeline = (plain / "pipeline.toml").read_text().replace("logs/*.csv", f"logs/*.{kind}")
    if kind in ("jsonl", "parquet"):
        columns = [name for name in polars.read_csv(logs[0], n_rows=1).columns if name not in ("time", "vehicle", "trip")]
        (home / "profile.toml").write_text(profile(kind, columns))
        pipeline = pipeline.replace('profile = "plain"', 'profile = "profile.toml"')
    (home / "pipeline.toml").write_text(pipeline)
    (home / "complete").touch()


def profile(kind: str, columns: list[str]) -> str:
    """A source profile that names every column as the plain profile does."""
    named = "\n".join(f'{name} = "{name}"' for name in columns)
    form = 'form = "rfc3339"' if kind == "jsonl" else 'form = "epoch_us"'
    return (
        f'format = "{kind}"\n\n[time]\ncolumn = "time"\n{form}\n\n[vehicle]\ncolumn = "vehicle"\n\n'
        f'[trip]\ncolumn = "trip"\n\n[columns]\n{named}\n'
    )
