"""Runs the fuzz targets of tests/fuzz one after the other and prints a table: run.py MINUTES [TARGET ...]

A target that finds something is started again until its time is over; what it found is in its artifacts folder.
"""

import os
import pathlib
import re
import subprocess
import sys
import time

FUZZ = pathlib.Path(__file__).resolve().parents[2] / "tests" / "fuzz"
# Far more than any input needs: reading 16 to 80 MiB volumes whose structure is some 3 MiB.
LIMITS = ["-rss_limit_mb=512", "-malloc_limit_mb=256", "-timeout=5", "-max_len=81920", "-len_control=0"]
MOST_CRASHES = 20


def targets():
    names = re.findall(r'^path = "fuzz_targets/(\w+)\.rs"$', (FUZZ / "Cargo.toml").read_text(), re.MULTILINE)
    assert names, "tests/fuzz/Cargo.toml names no targets"
    return names


def binary(target):
    root = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", FUZZ / "target"))
    host = re.search(r"^host: (.+)$", subprocess.run(["rustc", "-vV"], check=True, capture_output=True, text=True).stdout, re.MULTILINE)
    return root / host[1] / "release" / target


def run(target, seconds):
    """Runs, seconds, edges covered, inputs kept, crashes."""
    corpus, artifacts = FUZZ / "corpus" / target, FUZZ / "artifacts" / target
    corpus.mkdir(parents=True, exist_ok=True)
    artifacts.mkdir(parents=True, exist_ok=True)
    runs = edges = crashes = 0
    began = time.monotonic()
    while (left := int(seconds - (time.monotonic() - began))) > 0 and crashes < MOST_CRASHES:
        words = [binary(target), corpus, f"-max_total_time={left}", f"-artifact_prefix={artifacts}/", "-print_final_stats=1", *LIMITS]
        done = subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace")
        counted = re.findall(r"^stat::number_of_executed_units:\s*(\d+)", done.stderr, re.MULTILINE)
        runs += int(counted[-1]) if counted else 0
        edges = max([edges, *map(int, re.findall(r"\bcov: (\d+)", done.stderr))])
        if done.returncode != 0:
            crashes += 1
            (artifacts / f"said-{time.time_ns()}.txt").write_text(done.stderr[-20000:])
    return runs, time.monotonic() - began, edges, len(list(corpus.iterdir())), crashes


def main():
    minutes = float(sys.argv[1])
    print(f"| {'target':<12} | {'runs':>10} | seconds |  edges | inputs kept | crashes |")
    print(f"|{'-' * 14}|{'-' * 12}|---------|--------|-------------|---------|")
    found = 0
    for target in sys.argv[2:] or targets():
        runs, seconds, edges, kept, crashes = run(target, minutes * 60)
        print(f"| {target:<12} | {runs:>10} | {seconds:>7.0f} | {edges:>6} | {kept:>11} | {crashes:>7} |", flush=True)
        found += crashes
    sys.exit(1 if found else 0)


main()
