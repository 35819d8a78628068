"""The benchmark's plain CSV written in the other formats that a source profile knows."""

import gzip
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars
import zstandard

KINDS = ["csv.gz", "csv.zst", "jsonl", "parquet"]

GATHERED = ["long.csv", "raw.csv", "log"]
"""Forms in which several lines make one sample: long form, raw cells, CAN capture."""

PARAMETERS = [
    # SAE J1979 service 01: parameter, bytes, column, and raw value = (value - plus) * over / times
    (0x03, 1, "fuel_status", 1, 1, 0),
    (0x04, 1, "load_pct", 100, 255, 0),
    (0x05, 1, "coolant_c", 1, 1, -40),
    (0x06, 1, "stft1_pct", 100, 128, -100),
    (0x07, 1, "ltft1_pct", 100, 128, -100),
    (0x0B, 1, "map_kpa", 1, 1, 0),
    (0x0C, 2, "rpm", 1, 4, 0),
    (0x0D, 1, "speed_kmh", 1, 1, 0),
    (0x0F, 1, "intake_c", 1, 1, -40),
    (0x10, 2, "maf_gs", 1, 100, 0),
    (0x11, 1, "throttle_pct", 100, 255, 0),
    (0x1F, 2, "run_s", 1, 1, 0),
    (0x2E, 1, "purge_pct", 100, 255, 0),
    (0x33, 1, "baro_kpa", 1, 1, 0),
    (0x42, 2, "module_v", 1, 1000, 0),
    (0x43, 2, "abs_load_pct", 100, 255, 0),
    (0x46, 1, "ambient_c", 1, 1, -40),
]


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


def long(source: Path, target: Path) -> None:
    """One value a line, in the order of the rows."""
    index = ["row", "time", "vehicle", "trip"]
    rows = table(source).with_row_index("row").unpivot(index=index, variable_name="signal", value_name="value")
    rows.sort("row", maintain_order=True).drop("row").write_csv(target)


def responses(source: Path) -> polars.DataFrame:
    """The answers to one request after the other, 50 ms apart: time, vehicle, row, pid and the response in hexadecimal."""
    rows = table(source, try_parse_dates=True).with_row_index("row")
    digits = {1: polars.Series([f"{n:02X}" for n in range(1 << 8)]), 2: polars.Series([f"{n:04X}" for n in range(1 << 16)])}
    parts = []
    for place, (pid, width, column, times, over, plus) in enumerate(PARAMETERS):
        raw = ((rows[column].fill_null(0) - plus) * over / times).round().clip(0, 256**width - 1).cast(polars.UInt32)
        data = digits[width].gather(raw) + ("00" if pid == 0x03 else "")
        time = polars.col("time").dt.cast_time_unit("us") + polars.duration(milliseconds=50 * place)
        part = rows.select("row", "vehicle", time=time)
        parts.append(part.with_columns(pid=polars.lit(f"{pid:02X}"), response=f"41{pid:02X}" + data))
    return polars.concat(parts).sort("row", "time")


def raw_cells(source: Path, target: Path) -> None:
    """A request and its response a line."""
    time = polars.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
    rows = responses(source).select(time, "vehicle", request=polars.format("01{}", "pid"), response="response")
    rows.write_csv(target)


def capture(source: Path, target: Path) -> None:
    """A frame a line, responses only; the file's name tells the vehicle."""
    length = polars.format("0{}", polars.col("response").str.len_bytes() // 2)
    seconds = polars.col("time").dt.epoch("us")
    stamp = polars.format("{}.{}", seconds // 1_000_000, (seconds % 1_000_000).cast(str).str.zfill(6))
    line = polars.format("({}) can0 7E8#{}{}", stamp, length, "response")
    responses(source).select(line).write_csv(target, include_header=False, quote_style="never")


WRITERS = {
    "csv.gz": gzipped,
    "csv.zst": zstd,
    "jsonl": json_lines,
    "parquet": parquet,
    "long.csv": long,
    "raw.csv": raw_cells,
    "log": capture,
}


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
    if kind not in ("csv.gz", "csv.zst"):
        columns = [name for name in polars.read_csv(logs[0], n_rows=1).columns if name not in ("time", "vehicle", "trip")]
        (home / "profile.toml").write_text(profile(kind, columns))
        pipeline = pipeline.replace('profile = "plain"', 'profile = "profile.toml"')
    (home / "pipeline.toml").write_text(pipeline)
    (home / "complete").touch()


def profile(kind: str, columns: list[str]) -> str:
    """A source profile that names every column as the plain profile does."""
    if kind == "log":
        pattern = "pattern = '^(?<vehicle>[^_]+)_'"
        return f'format = "capture"\n\n[file_name]\n{pattern}\n\n[vehicle]\nfrom = "file_name"\n'
    form = 'form = "epoch_us"' if kind == "parquet" else 'form = "rfc3339"'
    head = f'[time]\ncolumn = "time"\n{form}\n\n[vehicle]\ncolumn = "vehicle"\n'
    if kind == "raw.csv":
        return f'format = "raw"\n\n{head}\n[raw]\nrequest = "request"\nresponse = "response"\n'
    named = "\n".join(f'{name} = "{name}"' for name in columns)
    columns = f'[trip]\ncolumn = "trip"\n\n[columns]\n{named}\n'
    if kind == "long.csv":
        return f'format = "long_csv"\n\n{head}\n[long]\nsignal = "signal"\nvalue = "value"\n\n{columns}'
    return f'format = "{kind}"\n\n{head}\n{columns}'
