#!/usr/bin/env python3
"""Writes the Parquet logs of ../fixtures/logs/parquet_kinds with pyarrow.

    venv/bin/python make_parquet.py            # write them
    venv/bin/python make_parquet.py --check    # write nothing; fail if a file would change

The values are made up; the expectations beside the files hold the same values, written by hand from
what is put in here.
"""

import decimal
import io
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

FOLDER = Path(__file__).resolve().parent.parent / "fixtures" / "logs" / "parquet_kinds"
# 2026-05-01 18:00:00: 20574 days and 18 hours from 1970.
START_S = 20_574 * 86_400 + 18 * 3600


def moments(per_second, kind):
    """Four moments a tenth of a second apart, from START_S."""
    return pa.array([START_S * per_second + i * per_second // 10 for i in range(4)], kind)


def log(time, **others):
    columns = {
        "Zeit": time,
        "rpm raw": pa.array([3000, None, 3020, 65535], pa.uint16()),
        "TPS": pa.array([0, 51, 102, 255], pa.uint8()),
        "Oil": pa.array([-5, 0, None, 90], pa.int8()),
        "Air": pa.array([-5, 0, 20, 25], pa.int16()),
        "AFM": pa.array([0.875, 1.0, None, 1.125], pa.float32()),
        "Cut": pa.array([False, True, None, False], pa.bool_()),
    }
    return pa.table(columns | others)


def written(table, **options):
    out = io.BytesIO()
    pq.write_table(table, out, compression="none", **options)
    return out.getvalue()


WHOLE_S = pa.array([START_S + i for i in range(4)], pa.timestamp("s"))
# 23:59:59.9 and on, over midnight.
OF_DAY_US = [86_400 * 10**6 - 100_000, 0, 100_000, 200_000]
FILES = {
    "log.parquet": lambda: written(log(moments(10**6, pa.timestamp("us")))),
    "good-milliseconds.parquet": lambda: written(log(moments(1000, pa.timestamp("ms")))),
    # Nanoseconds in a zone, names kept once each, a column without any value, and kinds that nobody maps.
    "good-zone.parquet": lambda: written(
        log(
            moments(10**9, pa.timestamp("ns", tz="Europe/Berlin")),
            Map=pa.array(["power", "power", None, "economy"]).dictionary_encode(),
            Gear=pa.nulls(4),
            Weight=pa.array([decimal.Decimal("1.50")] * 4, pa.decimal128(6, 2)),
            Pairs=pa.array([[1, 2]] * 4, pa.list_(pa.int8())),
        )
    ),
    "good-whole-seconds.parquet": lambda: written(log(WHOLE_S)),
    "good-int96.parquet": lambda: written(
        log(moments(10**9, pa.timestamp("ns"))), use_deprecated_int96_timestamps=True
    ),
    "good-time-of-day.parquet": lambda: written(log(pa.array(OF_DAY_US, pa.time64("us")))),
    "good-elapsed.parquet": lambda: written(log(pa.array([0, 100, 200, 300], pa.duration("ms")))),
    "good-own-names.parquet": lambda: written(
        pa.table(
            {
                "time_s": moments(1000, pa.timestamp("ms")),
                "rpm": pa.array([3000, None, 3020, 3030], pa.uint16()),
                "lambda": pa.array([0.875, 1.0, None, 1.125], pa.float32()),
                "fuel_cut": pa.array([False, True, None, False], pa.bool_()),
                "weight": pa.array([decimal.Decimal("1.50")] * 4, pa.decimal128(6, 2)),
            }
        )
    ),
    "bad-days.parquet": lambda: written(log(pa.array([20_574] * 4, pa.date32()))),
    "bad-decimals.parquet": lambda: written(
        log(
            moments(1000, pa.timestamp("ms")),
            AFM=pa.array([decimal.Decimal("0.95")] * 4, pa.decimal128(6, 2)),
        )
    ),
    "bad-own-names.parquet": lambda: written(
        pa.table({"time_s": pa.array(OF_DAY_US, pa.time64("us")), "rpm": pa.array([3000] * 4, pa.uint16())})
    ),
}


def main():
    check = "--check" in sys.argv[1:]
    stale = []
    for name, make in FILES.items():
        path, data = FOLDER / name, make()
        if check:
            stale += [name] if not path.exists() or path.read_bytes() != data else []
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    print(f"pyarrow {pa.__version__}: {len(FILES)} files", *stale)
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
