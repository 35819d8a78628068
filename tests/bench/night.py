"""Benchmark of a night: evidence to ranking for 5,000 vehicles with two years of trips.

    python3 tests/bench/night.py [--dir DIR] [--vehicles N] [--days N] [--repeats N] [--sample N]

The lake is generated once into DIR and used again. Beside it runs pymannkendall's Hamed-Rao test on the daily trims of a
sample of the same vehicles, one process. Two kinds of comparison are printed, because they are far apart. Test against test,
on the same daily values of one series and on one thread each: a single answer on the last day, and an answer on every week's
end from the 90th day on. And the whole command against the library's test: reading the lake, all series of a vehicle, every
look of the history, cause, ranking and report on the program's side; on the other, each tested trim series every week, one
series every week, and a single test of one series on the last day.

Each repeat writes its report into a folder of its own, and they are removed at the end: for five minutes ext4 goes round the
places of files just deleted, which costs a repeat some seconds that no night meets, the last one's report being a day old.
So only the last run replaces a report, as a night does.
"""

import argparse
import shutil
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import bench

bench.enter_environment()

sys.path.append(str(bench.ROOT / "tests" / "crosscheck"))

import polars  # noqa: E402
import pymannkendall  # noqa: E402
from binary import ask  # noqa: E402

LIMIT_S = 20.0
"""Wall time that a night may take on two cores."""
FACTOR = 100.0
"""Times faster per vehicle than the library."""
FIRST_LOOK, LOOK_EVERY = 90, 7
"""Days before the first look and between looks, as the sequential test has them."""


def generated(args: argparse.Namespace) -> Path:
    """A folder with pipeline, register and lake, made unless it is there."""
    home = args.dir / f"lake-{args.vehicles}-{args.days}"
    if not (home / "complete").exists():
        shutil.rmtree(home, ignore_errors=True)
        command = [args.binary, "--quiet", "bench-lake", home, "--vehicles", args.vehicles, "--days", args.days]
        done = bench.measure(command)
        if done.code != 0:
            sys.exit(f"bench-lake left with code {done.code}")
        print(f"lake written in {done.seconds:.0f} s: {done.output.strip()}")
        (home / "complete").touch()
    return home


def nights(binary: Path, home: Path, repeats: int) -> tuple[list[bench.Measured], bench.Measured, bench.Measured]:
    """The runs, each into a new folder; one with workshop records; and one that replaces the first one's report."""
    plain = (home / "pipeline.toml").read_text()
    (home / "services.csv").write_text(workshop_records((home / "vehicles.csv").read_text()))
    register = 'register = "../vehicles.csv"'
    plain = changed(changed(plain, '"lake"', '"../lake"'), 'register = "vehicles.csv"', register)
    worked_on = changed(plain, register, f'{register}\nservices = "../services.csv"')
    with tempfile.TemporaryDirectory(prefix="nights-", dir=home) as folder:
        own = Path(folder) / "pipeline.toml"
        runs = []
        for text, output in [*((plain, k) for k in range(repeats)), (worked_on, repeats), (plain, 0)]:
            own.write_text(changed(text, '"out"', f'"out-{output}"'))
            runs.append(bench.measure([binary, "--quiet", "rank", own]))
            if runs[-1].code != 0:
                sys.exit(f"rank left with code {runs[-1].code}")
    return runs[:repeats], runs[repeats], runs[repeats + 1]


def changed(text: str, old: str, new: str) -> str:
    """The text with one part of it replaced, which must be there."""
    if text.count(old) != 1:
        sys.exit(f"{old} is not in the pipeline file of the lake: delete the lake, it is made anew")
    return text.replace(old, new)


def workshop_records(register: str) -> str:
    """Two pieces of work for every vehicle, on days spread over the two years."""
    kinds = ["injector_cleaning", "intake_cleaning", "spark_plugs", "air_filter", "other"]
    lines = ["date,vehicle,odometer_km,service,cost"]
    for v, row in enumerate(register.splitlines()[1:]):
        for k in range(2):
            day = date(2023, 3, 1) + timedelta(days=(97 * v + 311 * k) % 640)
            lines.append(f"{day},{row.split(',')[0]},,{kinds[(v + 2 * k) % len(kinds)]},120")
    return "\n".join(lines) + "\n"


def daily_series(home: Path, sample: int) -> list[dict[str, list]]:
    """The tested trims, bank 1, day by day, for evenly spread vehicles: the mean (`y0`), idle and load less the other bands
    (`y1`, `y2`), with the day (`day`) and the distance since the first (`x`, 10,000 km)."""
    trips = polars.scan_parquet(sorted((home / "lake" / "trips").rglob("*.parquet")))
    names = trips.select("vehicle").unique().sort("vehicle").collect()["vehicle"]
    chosen = names.gather_every(max(1, len(names) // sample)).head(sample)
    idle, cruise, load = (polars.col(f"b1_{b}_y").sum() / polars.col(f"b1_{b}_n").sum() for b in ["idle", "cruise", "load"])
    tested = [(idle + cruise + load) / 3, idle - (cruise + load) / 2, load - (idle + cruise) / 2]
    days = (
        trips.filter(polars.col("vehicle").is_in(chosen.implode()))
        .group_by("vehicle", day=polars.col("start").dt.date())
        .agg(polars.col("km").sum(), *(series.alias(f"y{i}") for i, series in enumerate(tested)))
        .sort("vehicle", "day")
        .with_columns(polars.col("day").to_physical(), x=polars.col("km").cum_sum().over("vehicle") / 1e4)
        .collect()
    )
    return [part.to_dict(as_series=False) for part in days.partition_by("vehicle", maintain_order=True)]


def main() -> None:
    """Measures both sides and says whether the targets are met."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", type=Path, default=bench.DEFAULT_BINARY)
    parser.add_argument("--dir", type=Path, default=bench.CACHE / "bench-data")
    parser.add_argument("--vehicles", type=int, default=5000)
    parser.add_argument("--days", type=int, default=730)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--sample", type=int, default=100)
    args = parser.parse_args()
    print(bench.facts(args.binary, ["pymannkendall", "numpy", "polars"]))
    home = generated(args)
    rows = polars.scan_parquet(sorted((home / "lake" / "trips").rglob("*.parquet"))).select(polars.len()).collect().item()
    runs, with_records, replacing = nights(args.binary, home, args.repeats)
    best, middle = min(r.seconds for r in runs), bench.median([r.seconds for r in runs])
    cpu, peak = bench.median([r.cpu for r in runs]), max(r.peak_mb for r in runs)
    print(f"\n{args.vehicles} vehicles, {args.days} days, {rows:,} trips, evidence to ranking")
    print(f"trimdrift rank: best {best:.2f} s, median {middle:.2f} s, CPU {cpu:.2f} s, peak {peak:.0f} MB")
    print(f"  at most {LIMIT_S:.0f} s: {'met' if best <= LIMIT_S else 'MISSED'}")
    print(f"once more, replacing a report: {replacing.seconds:.2f} s")
    print(f"with two workshop records for each vehicle: {with_records.seconds:.2f} s")
    series = daily_series(home, args.sample)
    own = middle / args.vehicles
    print(f"per vehicle: trimdrift {1e3 * own:.3f} ms on all cores, {1e3 * cpu / args.vehicles:.3f} ms of CPU")
    few, tested = series[:: max(1, len(series) // 10)], ["y0", "y1", "y2"]
    trims = [vehicle[name] for vehicle in few for name in tested]
    each_week = per_history([[y[:end] for end in range(FIRST_LOOK, len(y), LOOK_EVERY)] for y in trims])
    last_day = per_history([[vehicle["y0"]] for vehicle in series])
    every_night, once, peers = own_test(args.binary, series)
    print("test against test, the same daily values, one thread")
    against(f"one answer on the last day ({len(series)} series)", last_day, once - peers)
    against("the same, with the peers' reference on our side", last_day, once)
    against(f"an answer every week ({len(few)} vehicles); ours every night", each_week, every_night)
    print("the whole command on all cores against the library's test")
    against(f"every week, each of the {len(tested)} tested trims", each_week * len(tested), own)
    against("every week, one series", each_week, own)
    against("once, on the last day, one series", last_day, own)


def own_test(binary: Path, series: list[dict[str, list]]) -> tuple[float, float, float]:
    """Seconds that the drift test takes for a series: with every look that nights take, with one on the last day alone, and what
    the peers' reference takes of either."""
    columns = {"days": "day", "distances": "x", "values": "y0"}
    asked = {name: [vehicle[column] for vehicle in series] for name, column in columns.items()}
    answers = ask(binary, [("drift_seconds", asked)] * 3)
    if answers[0]["once_looks"] < len(series):
        sys.exit(f"{answers[0]['once_looks']:.0f} looks on the last day at {len(series)} series: use more --days")
    looks = [answers[0][part] / len(series) for part in ("nights_looks", "once_looks")]
    print(f"drift test: {looks[0]:.0f} looks a series over all nights, {looks[1]:.1f} at the end")
    parts = ("nights_seconds", "once_seconds", "reference_seconds")
    nights, once, reference = (bench.median([answer[part] for answer in answers]) / len(series) for part in parts)
    return nights, once, reference


def per_history(asked: list[list[list[float]]]) -> float:
    """Wall seconds of the library for one series with all histories that are asked about, in the mean."""
    start = time.perf_counter()
    for histories in asked:
        for history in histories:
            pymannkendall.hamed_rao_modification_test(history)
    return (time.perf_counter() - start) / len(asked)


def against(what: str, theirs: float, own: float) -> None:
    """One line of comparison."""
    verdict = "met" if theirs / own >= FACTOR else "MISSED"
    took = f"the library {1e3 * theirs:.2f} ms, trimdrift {1e3 * own:.3f} ms"
    print(f"  {what}: {took}, {theirs / own:.0f} times; {FACTOR:.0f} times: {verdict}")


if __name__ == "__main__":
    main()
