"""Times `rideloop run --dry-run` over a season beside the peers of `peers.py`.

Whole processes in turns, so that what else the machine does hits all alike; medians and
ratios. Of the peers only the work counts, not the start of Python and its imports. Files
are in the page cache. Called by `cargo bench --bench season`.
"""

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import time

RIDES = 200
HERE = os.path.dirname(os.path.abspath(__file__))


def timed(command, cores, environment=None):
    """Seconds, peak memory in MB, standard output."""
    env = {**os.environ, "POLARS_MAX_THREADS": str(len(cores)), "RAYON_NUM_THREADS": str(len(cores)),
           **(environment or {})}
    read, write = os.pipe()
    begun = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        os.sched_setaffinity(0, cores)
        os.dup2(write, 1)
        os.close(read)
        os.close(write)
        os.execvpe(command[0], command, env)
    os.close(write)
    with os.fdopen(read) as out:
        said = out.read()
    _, status, used = os.wait4(pid, 0)
    took = time.perf_counter() - begun
    if os.waitstatus_to_exitcode(status) != 0:
        sys.exit(f"failed: {' '.join(command)}")
    return took, used.ru_maxrss / 1024, said


class Season:
    def __init__(self, options):
        self.options = options
        self.made = options.season
        self.every = sorted(os.listdir(os.path.join(self.made, "rides/r1")))
        self.rides = self.every[:RIDES]
        self.bike = self.part("200", self.rides)
        every = sorted(os.sched_getaffinity(0))
        self.cores = [every[:1], every[:2]]

    def run(self, bike, cores, cache="off"):
        command = [self.options.rideloop, "--bike", bike, "--json", "run", "--dry-run"]
        took, memory, said = timed(command, cores, {"RIDELOOP_CACHE": cache})
        return took, memory, json.loads(said)

    def peer(self, name, cores):
        command = [sys.executable, os.path.join(HERE, "peers.py"), name, self.bike, str(len(cores))]
        _, memory, said = timed(command, cores)
        took, weight, mean = said.split()
        return float(took), memory, (weight, mean)

    def floor(self, cores):
        took, memory, said = timed([self.options.this, "newlines", self.bike], cores)
        return took, memory, said

    def part(self, name, rides, rows=None, estimate=False):
        """A bike folder with the first so many rides, perhaps cut to so many rows."""
        bike = os.path.join(self.made, "parts", name)
        shutil.rmtree(bike, ignore_errors=True)
        os.makedirs(os.path.join(bike, "rides/r1"))
        # A bike has a repository of its own, also inside another.
        subprocess.run(["git", "init", "--quiet", bike], check=True)
        shutil.copytree(os.path.join(self.made, "maps"), os.path.join(bike, "maps"))
        for file in ("bike.yaml", "builds.yaml"):
            with open(os.path.join(self.made, file)) as settings:
                text = settings.read()
            if estimate:
                text = text.replace("delay: { cycles: 1.5, transport_ml: 800, lag_s: 0.08 }", "delay: estimate")
            with open(os.path.join(bike, file), "w") as settings:
                settings.write(text)
        for ride in rides:
            there = os.path.join(self.made, "rides/r1", ride)
            here = os.path.join(bike, "rides/r1", ride)
            if rows is None:
                os.link(there, here)
            else:
                with open(there) as whole, open(here, "w") as cut:
                    for _ in range(rows + 1):
                        cut.write(whole.readline())
        return bike


def medians(works, runs):
    """The works in turns; for each the median time and the greatest memory."""
    times = {name: [] for name in works}
    peaks = dict.fromkeys(works, 0.0)
    said = {}
    for turn in range(runs + 1):
        for name, work in works.items():
            took, memory, said[name] = work()
            # The first turn only warms the page cache.
            if turn > 0:
                times[name].append(took)
                peaks[name] = max(peaks[name], memory)
    return {name: statistics.median(t) for name, t in times.items()}, peaks, said


def against_peers(season, runs):
    estimating = season.part("estimate", season.rides, estimate=True)
    for cores in season.cores:
        works = {
            "newline count (floor)": lambda: season.floor(cores),
            "rideloop run --dry-run, cold": lambda: season.run(season.bike, cores),
            "the same, lambda delay estimated": lambda: season.run(estimating, cores),
            "polars streaming": lambda: season.peer("polars", cores),
            "DuckDB SQL": lambda: season.peer("duckdb", cores),
            "pandas and numpy": lambda: season.peer("pandas", cores),
        }
        times, peaks, said = medians(works, runs)
        ours = times["rideloop run --dry-run, cold"]
        best = min(times["polars streaming"], times["DuckDB SQL"])
        print(f"\n{len(season.rides)} rides, {len(cores)} core(s)")
        for name, took in times.items():
            print(f"  {name:<36} {took:8.3f} s  {took / ours:6.2f} x ours  {peaks[name]:6.0f} MB")
        print(f"  best of polars and DuckDB / ours: {best / ours:.2f}; pandas / ours: {times['pandas and numpy'] / ours:.2f}")
        sums = {said[name] for name in ("polars streaming", "DuckDB SQL", "pandas and numpy")}
        print("  the peers' sums agree" if len({mean[:9] for _, mean in sums}) == 1 else f"  PEERS DIFFER: {sums}")


def memory_and_size(season, runs):
    """Memory over the number of rides, time over rows."""
    cores = season.cores[-1]
    print("\nrides and rows, cold")
    works = {
        "20 rides": lambda b=season.part("20", season.every[:20]): season.run(b, cores),
        "100 rides": lambda b=season.part("100", season.every[:100]): season.run(b, cores),
        "200 rides": lambda: season.run(season.bike, cores),
        "400 rides": lambda b=season.part("400", season.every): season.run(b, cores),
        "200 rides of half the rows": lambda b=season.part("half", season.rides, 12_500): season.run(b, cores),
    }
    times, peaks, _ = medians(works, runs)
    for name, took in times.items():
        print(f"  {name:<36} {took:8.3f} s  {peaks[name]:6.0f} MB")


def warm(season, runs):
    """All rides but one are cached."""
    cores = season.cores[-1]
    bike = season.part("warm", season.rides[:-1])
    cache, kept = bike + "-cache", bike + "-cache-kept"
    for folder in (cache, kept):
        shutil.rmtree(folder, ignore_errors=True)
    time.sleep(2.5)  # what was written just now is not trusted by its times
    season.run(bike, cores, cache)
    season.run(bike, cores, cache)
    shutil.copytree(cache, kept)
    os.link(os.path.join(season.made, "rides/r1", season.rides[-1]), os.path.join(bike, "rides/r1", season.rides[-1]))

    def one_new():
        shutil.rmtree(cache)
        shutil.copytree(kept, cache)
        return season.run(bike, cores, cache)

    times, peaks, said = medians({"cold": lambda: season.run(bike, cores), "warm, one new ride": one_new}, runs)
    same = said["cold"] == said["warm, one new ride"]
    print(f"\nwarm season and one new ride: {times['warm, one new ride']:.3f} s, "
          f"{100 * times['warm, one new ride'] / times['cold']:.1f} % of cold ({times['cold']:.3f} s), "
          f"{peaks['warm, one new ride']:.0f} MB; answers {'the same' if same else 'DIFFER'}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rideloop", required=True)
    parser.add_argument("--this", required=True)
    parser.add_argument("--season", required=True)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--only", choices=["peers", "memory", "warm"])
    options = parser.parse_args()
    season = Season(options)
    parts = {"peers": against_peers, "memory": memory_and_size, "warm": warm}
    for name, part in parts.items():
        if options.only in (None, name):
            part(season, options.runs)


if __name__ == "__main__":
    main()
