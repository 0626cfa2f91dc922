"""Makes the next revision of many bikes, with the work of reading rides spread over workers.

For each ride `rideloop evidence collect`, for each bike a tree of `rideloop evidence merge`
and one `rideloop run --evidence`. The bikes come out byte for byte as `rideloop run` makes
them one after the other; `--check` compares.

Every step is a file that appears whole (rideloop writes beside it and renames), and doing a
step twice gives the same bytes. So a worker may die at any moment: its steps are done again.

    python fleet.py bikes.csv --work DIR [--workers 4] [--check] [--kill-a-worker]
"""

import argparse
import csv
import filecmp
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from dask.distributed import Client, LocalCluster, as_completed

# So many files are merged by one step.
FAN_IN = 32
# A step whose worker died, or that failed, is done again so often.
RETRIES = 3
LOGS = {".csv", ".parquet"}
# What a revision is made of, below the bike folder.
MADE = ["maps", "evidence", "rides.yaml"]


def rideloop(program, *args, answers=(0,)):
    """Runs rideloop; its answer as a dictionary. Any other exit code is an error."""
    done = subprocess.run([program, "--json", *args], capture_output=True, text=True)
    if done.returncode not in answers or '"guard": "busy"' in done.stdout:
        # Another rideloop, maybe that of a worker that died, is still at work on this bike.
        time.sleep(1 if '"busy"' in done.stdout else 0)
        raise RuntimeError(f"{' '.join(args)}: {done.stdout}{done.stderr}")
    return json.loads(done.stdout)


def settings_of(bike):
    """Pipeline and slot as options, where the manifest names them."""
    return [f"--{key}={bike[key]}" for key in ("pipeline", "slot") if bike[key]]


def collect(program, bike, ride, work):
    """One ride into one file of evidence, named after the log, its place and the settings."""
    named_by = json.dumps([bike, ride]).encode() + Path(ride).read_bytes()
    out = f"{work}/{hashlib.sha256(named_by).hexdigest()}.parquet"
    if not Path(out).exists():
        rideloop(program, "--bike", bike["folder"], "evidence", "collect", *settings_of(bike), "--out", out, ride)
    return out


def merge(program, files, out):
    """Files of evidence into one."""
    rideloop(program, "evidence", "merge", "--out", out, *files)
    return out


def revise(program, bike, evidence):
    """The revision of one bike; a guard that refuses is an answer, too."""
    run = ["--bike", bike["folder"], "run", *settings_of(bike), "--evidence", evidence]
    told = rideloop(program, *run, answers=(0, 3))
    refused = told["refused"]
    return told["revision"] or (refused and refused["guard"]) or told["nothing"]


def bikes_of(manifest):
    """The bikes of a CSV file with the columns bike, pipeline and slot; the last two may be empty."""
    with open(manifest, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            folder = (manifest.parent / row["bike"]).resolve()
            yield {"folder": str(folder), "pipeline": row.get("pipeline"), "slot": row.get("slot")}


def rides_of(bike):
    """The logs of a bike, as rideloop finds them: hidden ones are none."""
    rides = Path(bike["folder"], "rides")
    logs = (path for path in sorted(rides.rglob("*")) if path.suffix.lower() in LOGS)
    return [str(p) for p in logs if not any(part.startswith(".") for part in p.relative_to(rides).parts)]


def plan(client, program, bike, work):
    """Submits the steps of one bike: those that read rides, and the one that makes its revision."""
    work.mkdir(parents=True, exist_ok=True)

    def step(function, *args):
        return client.submit(function, program, *args, retries=RETRIES, pure=False)

    collected = [step(collect, bike, ride, str(work)) for ride in rides_of(bike)]
    files, level = collected, 0
    while len(files) > 1 or level == 0:
        groups = [files[n : n + FAN_IN] for n in range(0, len(files), FAN_IN)]
        files = [step(merge, group, str(work / f"merge-{level}-{n}.parquet")) for n, group in enumerate(groups)]
        level += 1
    return collected, step(revise, bike, files[0])


def kill_a_worker(client, collected):
    """Kills a worker without warning as soon as the first ride is done."""
    next(iter(as_completed(collected)))
    pid = next(iter(client.run(os.getpid).values()))
    os.kill(pid, signal.SIGKILL)
    open_steps = sum(not future.done() for future in collected)
    print(f"killed worker {pid} with {open_steps} of {len(collected)} rides to go")


def differences(one, other):
    """The files of a revision that are not byte for byte the same in two bike folders."""

    def files(folder):
        made = [path for name in MADE for path in [folder / name, *(folder / name).rglob("*")]]
        return {path.relative_to(folder) for path in made if path.is_file()}

    here, there = files(one), files(other)
    _, differing, unread = filecmp.cmpfiles(one, other, here | there, shallow=False)
    return differing + unread


def check(program, bikes, copies):
    """Makes the revisions of the copies by `rideloop run`, one after the other, and compares."""
    wrong = 0
    for bike, copy in zip(bikes, copies):
        rideloop(program, "--bike", str(copy), "run", *settings_of(bike), answers=(0, 3))
        found = differences(Path(bike["folder"]), copy)
        print(f"{bike['folder']}: " + (f"differs in {', '.join(found)}" if found else "byte for byte the same"))
        wrong += bool(found)
    return wrong


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("manifest", type=Path, help="CSV with the columns bike, pipeline, slot")
    parser.add_argument("--work", type=Path, required=True, help="folder for evidence; what is there is kept")
    parser.add_argument("--rideloop", default="rideloop", help="the program")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--check", action="store_true", help="compare with `rideloop run`, one bike at a time")
    parser.add_argument("--kill-a-worker", action="store_true", help="kill one midway, to see that it does not matter")
    args = parser.parse_args()
    every = list(bikes_of(args.manifest))
    bikes = [bike for bike in every if rides_of(bike)]
    for bike in every:
        if bike not in bikes:
            print(f"{bike['folder']}: no ride")
    work = args.work.resolve()
    copies = []
    if args.check:
        copies = [work / "check" / str(n) for n in range(len(bikes))]
        for bike, copy in zip(bikes, copies):
            shutil.copytree(bike["folder"], copy)
    begun = time.monotonic()
    # One thread a worker: rideloop is a process of its own, and RAYON_NUM_THREADS says how wide.
    # The memory is rideloop's, not the worker's.
    cluster = LocalCluster(
        processes=True, n_workers=args.workers, threads_per_worker=1, memory_limit=None, dashboard_address=None
    )
    failed = 0
    with cluster, Client(cluster) as client:
        plans = [plan(client, args.rideloop, bike, work / str(n)) for n, bike in enumerate(bikes)]
        collected = [future for rides, _ in plans for future in rides]
        if args.kill_a_worker and collected:
            kill_a_worker(client, collected)
        for bike, (_, revision) in zip(bikes, plans):
            try:
                print(f"{bike['folder']}: {revision.result()}")
            except Exception as error:  # One bike must not stop the others.
                print(f"{bike['folder']}: failed: {error}")
                failed += 1
    print(f"{len(bikes)} bikes, {len(collected)} rides in {time.monotonic() - begun:.1f} s")
    if args.check:
        failed += check(args.rideloop, bikes, copies)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
