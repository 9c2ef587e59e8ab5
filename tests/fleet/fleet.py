"""Measures a fleet's captures on Apache Spark, and checks it against one machine.

    python fleet.py PROGRAM FOLDER

FOLDER holds one folder a car, each with vehicle.toml and captures.
"""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pyarrow.dataset
import pyarrow.parquet
from pyspark import TaskContext
from pyspark.sql import SparkSession

WORKERS = 2
KEYS = ["vehicle", "month", "capture_id", "engagement"]


def measure(program, pairs, dataset):
    """One task: its share of the captures, one run of the program each."""
    context = TaskContext.get()
    for vehicle, capture in pairs:
        run = [program, "measure", capture, "--vehicle", vehicle, "--out", dataset]
        done = subprocess.run(run, capture_output=True, text=True)
        if done.returncode != 0:
            raise RuntimeError(f"{capture}: {done.stderr.strip()}")
        yield capture, os.getppid(), context.attemptNumber()


def on_spark(spark, program, pairs, dataset):
    """The whole fleet; what each capture's task says of itself."""
    shares = spark.sparkContext.parallelize(pairs, len(pairs))
    return shares.mapPartitions(lambda share: measure(program, share, dataset)).collect()


def on_one_machine(program, pairs, dataset):
    for vehicle in sorted({vehicle for vehicle, _ in pairs}):
        captures = [capture for of, capture in pairs if of == vehicle]
        run = [program, "measure", *captures, "--vehicle", vehicle, "--out", dataset]
        subprocess.run(run, check=True, stdout=subprocess.DEVNULL)


def files(dataset):
    return sorted(str(path.relative_to(dataset)) for path in Path(dataset).rglob("*.parquet"))


def rows_of_one_machine(dataset):
    """Read without Spark."""
    table = pyarrow.dataset.dataset(dataset, format="parquet", partitioning="hive").to_table()
    return sorted(table.to_pylist(), key=lambda row: [str(row[key]) for key in KEYS])


def rows_of_spark(spark, dataset):
    table = spark.read.parquet(dataset)
    rows = [row.asDict() for row in table.collect()]
    return sorted(rows, key=lambda row: [str(row[key]) for key in KEYS])


def compare(spark, single, fleet, what):
    assert files(single) == files(fleet), f"{what}: other files"
    ours, theirs = rows_of_one_machine(single), rows_of_spark(spark, fleet)
    assert len(ours) == len(theirs), f"{what}: {len(theirs)} rows instead of {len(ours)}"
    for number, (one, other) in enumerate(zip(ours, theirs)):
        assert one == other, f"{what}: row {number}: {one} and {other}"
    cars = len({row["vehicle"] for row in ours})
    months = len({row["month"] for row in ours})
    print(f"{what}: {len(ours)} rows of {cars} cars and {months} months, the same as on one machine")


def executors():
    """Processes of Spark's workers below this one."""
    parents = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                after_name = (entry / "stat").read_text().rsplit(")", 1)[1].split()
                words = (entry / "cmdline").read_bytes().split(b"\0")
            except (OSError, IndexError):
                continue
            parents[int(entry.name)] = (int(after_name[1]), words)

    def is_ours(process):
        while process in parents:
            if process == os.getpid():
                return True
            process = parents[process][0]
        return False

    backend = b"org.apache.spark.executor.CoarseGrainedExecutorBackend"
    return [pid for pid, (_, words) in parents.items() if backend in words and is_ours(pid)]


def kill_one(dataset, enough, killed):
    """Kills one worker as soon as so many captures are measured."""
    while len(files(dataset)) < enough:
        time.sleep(0.005)
    worker = executors()[0]
    os.kill(worker, signal.SIGKILL)
    killed.append((worker, len(files(dataset))))


def main():
    program, folder = os.path.abspath(sys.argv[1]), Path(sys.argv[2])
    pairs = [
        (str(capture.parent / "vehicle.toml"), str(capture))
        for capture in sorted(folder.glob("cars/*/*.pcapng*"))
        if capture.name.endswith((".pcapng", ".pcapng.zst"))
    ]
    single, fleet, hurt = (str(folder / name) for name in ("single", "fleet", "hurt"))
    started = time.monotonic()
    on_one_machine(program, pairs, single)
    print(f"one machine: {len(pairs)} captures in {time.monotonic() - started:.1f} s")

    spark = (
        SparkSession.builder.master(f"local-cluster[{WORKERS},1,1024]")
        .appName("fleet")
        .config("spark.ui.enabled", "false")
        .config("spark.ui.showConsoleProgress", "false")
        .config("spark.executor.memory", "512m")
        .config("spark.task.maxFailures", "8")
        .config("spark.pyspark.python", sys.executable)
        .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false")
        .config("spark.local.dir", str(folder / "spark"))
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("OFF")
    try:
        # Both workers are up before the clock starts.
        deadline = time.monotonic() + 60
        while len(executors()) < WORKERS and time.monotonic() < deadline:
            time.sleep(0.1)
        assert len(executors()) == WORKERS, f"{len(executors())} of {WORKERS} workers came up"
        spark.sparkContext.parallelize(range(2 * WORKERS), 2 * WORKERS).count()

        started = time.monotonic()
        done = on_spark(spark, program, pairs, fleet)
        seconds = time.monotonic() - started
        assert sorted(capture for capture, _, _ in done) == sorted(c for _, c in pairs)
        workers = len({worker for _, worker, _ in done})
        assert workers == WORKERS, f"{workers} workers took part"
        print(f"Spark, {workers} workers: {len(done)} captures in {seconds:.1f} s")
        compare(spark, single, fleet, "Spark")

        killed = []
        killer = threading.Thread(target=kill_one, args=(hurt, len(pairs) // 2, killed))
        killer.daemon = True
        os.makedirs(hurt)
        killer.start()
        done = on_spark(spark, program, pairs, hurt)
        killer.join(5)
        assert killed, "no worker was killed"
        worker, measured = killed[0]
        assert measured < len(pairs), "the worker was killed too late"
        again = sum(attempt > 0 for _, _, attempt in done)
        print(f"worker {worker} killed after {measured} of {len(pairs)} captures; {again} run again")
        compare(spark, single, hurt, "Spark with a worker killed")
    finally:
        spark.stop()


main()
