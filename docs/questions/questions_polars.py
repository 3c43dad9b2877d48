"""Questions to the folder that `shakedown export --all FOLDER` writes, in Polars."""

from pathlib import Path

import polars as pl


def table(name):
    """Return the table of that name, over all machines and months."""
    files = sorted(Path("FOLDER", name).rglob("*.parquet"))
    return pl.concat(
        [
            pl.scan_parquet(file, hive_partitioning=True, try_parse_hive_dates=False, include_file_paths="file")
            for file in files
        ],
        how="diagonal_relaxed",
    )


rows, events = table("rows"), table("events")
sessions = rows.group_by("machine", "month", "file").agg(
    pl.min("time").alias("day"),
    pl.max("energy_out", "energy_in"),
    hours=(pl.max("time") - pl.min("time")).dt.total_microseconds() / 3.6e9,
)
energy = (
    sessions.group_by("machine", pl.col("day").dt.truncate("1w").alias("week"))
    .agg(kwh=pl.sum("energy_out") / 1000)
    .sort("machine", "week")
)
resistance = (
    rows.filter(pl.col("pack_resistance").is_not_null())
    .group_by("machine", "month")
    .agg(mohm=(1000 * pl.median("pack_resistance")).round(1))
    .sort("machine", "month")
)
lowest = (
    rows.filter(pl.col("cell_min_number").is_not_null())
    .group_by("machine", pl.col("cell_min_number").alias("cell"))
    .agg(times=pl.len())
    .sort("machine", "times", descending=[False, True])
)
counts = events.filter(pl.col("kind") == "alarm").group_by("machine").agg(alarms=pl.len())
alarms = (
    sessions.group_by("machine")
    .agg(pl.sum("hours"))
    .join(counts, on="machine", how="left")
    .select("machine", alarms_an_hour=pl.col("alarms").fill_null(0) / pl.col("hours"))
    .sort("machine")
)
cost = (
    sessions.group_by("machine", "month").agg(cost=pl.sum("energy_in") / 1000 / 0.88 * 0.30).sort("machine", "month")
)
answers = pl.collect_all([energy, resistance, lowest, alarms, cost])
