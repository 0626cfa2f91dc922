"""Writes the binary seeds and those that bear a leading byte; `pip install pyarrow` first.

The loggers among the seeds are written by hand; measurement files are seeds where they lie,
in tests/fixtures/mdf.
"""

import gzip
import subprocess
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

HERE = Path(__file__).parent
SEEDS = HERE / "seeds"
LOGS = HERE / "logs"
ROOT = HERE.parent


def put(path: str, *parts: bytes) -> None:
    """A seed of the given bytes, one after the other."""
    file = SEEDS / path
    file.parent.mkdir(exist_ok=True)
    file.write_bytes(b"".join(parts))


def zstd(data: bytes) -> bytes:
    return subprocess.run(["zstd", "-q", "-c"], input=data, stdout=subprocess.PIPE, check=True).stdout


def logs() -> None:
    """The leading digit is the place of the file's name in `NAMES` of the target."""
    own = (
        b"time_s,rpm,throttle_pct,map_kpa,lambda,engine_temp_c,battery_v,slot,fuel_cut,colour\n"
        + b"".join(
            b"%.2f,%d,%.1f,%d,%.3f,%d,14.1,power,0,red\n" % (i * 0.05, 3000 + 7 * i, 10 + i, 60 + i, 0.9 + i / 200, 80)
            for i in range(12)
        )
    )
    broken = b"\xef\xbb\xbftime_s,rpm\r\n0.0,1000\r\n0.1,-\r\n0.1,1001\r\n0.05,nan\r\nx,1003\r\n0.2\r\n0.3,1004,9\r\n0.4,inf,\r\n9999,1\r\n0.5,10"
    put("log/own", b"0", own)
    put("log/broken", b"0", broken)
    for digit, name in [(b"2", "box"), (b"3", "long"), (b"4", "dates"), (b"5", "obd")]:
        put(f"log/{name}", digit, (LOGS / f"ride.{name}").read_bytes())
    utf16 = (LOGS / "ride.dates").read_text().encode("utf-16")
    put("log/utf16", b"4", utf16)
    put("log/gz", b"6", gzip.compress(own, mtime=0))
    put("log/zst", b"7", zstd((LOGS / "ride.box").read_bytes()))


def parquet() -> None:
    n = 40
    own = {
        "time_s": pa.array([i * 0.05 for i in range(n)], pa.float64()),
        "rpm": pa.array([None if i % 9 == 0 else 3000 + i for i in range(n)], pa.int32()),
        "lambda": pa.array([0.9 + i / 500 for i in range(n)], pa.float32()),
        "gear": pa.array([i % 6 for i in range(n)], pa.int64()),
        "fuel_cut": pa.array([i % 2 == 0 for i in range(n)], pa.bool_()),
        "slot": pa.array(["power" if i < 20 else "economy" for i in range(n)], pa.string()),
    }
    other = {
        "Timestamp [ms]": pa.array([i * 100 for i in range(n)], pa.int64()),
        "Engine speed": pa.array([50.0 + i for i in range(n)], pa.float32()),
        "AFR": pa.array([None if i % 7 == 0 else f"{14 + i / 100}" for i in range(n)], pa.string()),
        "Map": pa.array([1 + i // 20 for i in range(n)], pa.int32()),
    }
    nested = {"time_s": own["time_s"], "rpm": own["rpm"], "more": pa.array([[{"a": i}] for i in range(n)])}
    moments = {"Timestamp": pa.array([i * 100 for i in range(n)], pa.timestamp("ms")), "Engine speed": pa.array([i for i in range(n)], pa.uint8())}
    forms = {
        "plain": (own, {"compression": "none", "use_dictionary": False}),
        "dictionary": (own, {"compression": "snappy", "row_group_size": 15}),
        "zstd_v2": (own, {"compression": "zstd", "data_page_version": "2.0", "use_dictionary": False}),
        "gzip": (other, {"compression": "gzip"}),
        "moments": (moments, {"compression": "none"}),
        "lz4": (other, {"compression": "lz4", "write_statistics": False}),
        "brotli": (nested, {"compression": "brotli"}),
        "delta": (
            {name: own[name] for name in ("time_s", "rpm")},
            {
                "compression": "none",
                "use_dictionary": False,
                "column_encoding": {
                    "time_s": "BYTE_STREAM_SPLIT",
                    "rpm": "DELTA_BINARY_PACKED",
                },
            },
        ),
    }
    for name, (columns, form) in forms.items():
        pq.write_table(pa.table(columns), SEEDS / "parquet" / name, store_schema=name == "gzip", **form)


def tables() -> None:
    """Bits of the leading byte: see `expectation` of the target."""
    maps = ROOT / "demo-bike" / "maps" / "power"
    fuel = (maps / "fuel.csv").read_bytes()
    put("table/fuel", b"0", fuel)
    put("table/mixture", b"\x25", (maps / "mixture.csv").read_bytes())
    small = b"rpm/map_kpa,20,60,100\n1000,48.0,52.5,55.0\n1500,50.5,55.0,61.0\n"
    put("table/small", b"\x03", small)
    turned = b"\xef\xbb\xbfthrottle_pct/rpm;1000;1500;2000\r\n2;48,0;52,5;55\r\n100;50,5;55,0;61\r\n"
    put("table/turned", b"\x21", turned)
    put("table/tabs", b"\x21", small.replace(b",", b"\t").replace(b"map_kpa", b"throttle_pct"))
    put(
        "table/json",
        b"\x21",
        b'{"table":"fuel","unit":"%","load_axis":"throttle_pct","rows":"rpm","rpm":[1000,1500],"load":[2,5],'
        b'"cells":[[48.0,52.5],[50.5,55.0]]}',
    )
    rows = [line.split(b",")[1:] for line in fuel.splitlines()[1:]]
    bare = b"[" + b",".join(b"[" + b",".join(row) + b"]" for row in rows) + b"]"
    put("table/bare_json", b"\x80", bare)


def settings() -> None:
    put("settings/bike", b"\x00", (ROOT / "demo-bike" / "bike.yaml").read_bytes())
    other = (
        b"name: other\nengine: { displacement_cc: 990, cylinders: 2, strokes: 4, rev_limit_rpm: 9000 }\n"
        b"injectors: { count: 4, flow_cc_min: 230, rated_kpa: 300, rail_kpa: 300, duty_limit_pct: 85, dead_time_ms: { 10: 1.35, 14: 0.8 } }\n"
        b"fuel: { carbon: 0.84, hydrogen: 0.14, oxygen: 0.02 }\n"
        b"controller: { fuel_table: pulse_width_ms, load: map_kpa, mixture: table, density: none, resolution: 0.025 }\n"
        b"closed_loop: { mode: trim_logged, region: { rpm: [1500, 5000], load: [20, 70] } }\n"
        b"lambda_sensor: { delay: estimate, valid: [0.65, 1.55] }\nwarm: { engine_temp_c: 75 }\nslots: [power]\n"
    )
    put("settings/other_bike", b"\x00", other)
    put("settings/builds", b"\x01", (ROOT / "demo-bike" / "builds.yaml").read_bytes())
    for name in ("road", "dyno"):
        put(f"settings/{name}", b"\x02", (ROOT / "pipelines" / f"{name}.yaml").read_bytes())
    register = "".join(
        f"- file: r1/{letter}.csv\n  sha256: {letter * 64}\n  revision: r1\n  slot: power\n  build: b1\n  {rest}"
        for letter, rest in [
            ("a", "state: used\n  used_in: [r2, r3]\n"),
            ("b", "state: set_aside\n  why: 'the sensor was cold: \"it\" lied'\n"),
        ]
    )
    put("settings/rides", b"\x03", register.encode())
    put(
        "settings/locks",
        b"\x04",
        b"# by hand\n- { rpm: [1000, 2000], load: [2, 10], why: idle }\n- { rpm: [3000, 3000], load: [20, 40], why: dyno }\n",
    )


def evidence() -> None:
    titles = b"before,after,required,std_error,weight_s,effective_samples,dwells,rides,ridden_s,held_by\n"
    older = titles.replace(b"ridden_s,", b"")
    put(
        "evidence/cells",
        b"0rpm,throttle_pct,",
        titles,
        b"1000,2,50.0000,51.0000,51.5000,0.5000,3.250,8.50,4,1,12.5,step_up\n1000,5,50.0000,50.0000,,,0.000,0.00,0,0,0.0,\n",
    )
    put("evidence/older", b"1rpm,map_kpa,", older, b"1000,20,50.0000,51.0000,51.5000,0.5000,3.250,8.50,4,1,\n")
    ride = (
        '{"ride":{"sha256":"%s","file":"r1/a.csv","revision":"r1","samples":1200,"kept":700,"ridden_s":60.0,'
        '"rejected":{"cold":500},"as_ridden":{"lean_pct":2.0,"rms_pct":3.0},"after":{"lean_pct":-0.1,"rms_pct":1.25},'
        '"findings":[{"name":"throttle_zero","severity":"warning","saw":"never below 2 %%"}]}}\n' % ("a" * 64)
    )
    passed = '{"passed_over":{"file":"r1/b.csv","sha256":"%s","reason":"unreadable","why":"the file is empty"}}\n' % ("b" * 64)
    found = '{"finding":{"name":"odd_ride","severity":"note","saw":"leaner than the others"}}\n'
    put("evidence/rides", b"2", (ride + passed + found).encode())


for make in (logs, parquet, tables, settings, evidence):
    make()
