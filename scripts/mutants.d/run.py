"""Runs a seeded sample of cargo-mutants' changes, area by area: run.py NUMBER SEED

Ends with 1 when a test program noticed too few of them. What was done to each is in target/mutants/AREA/mutants.out.
"""

import json
import os
import pathlib
import random
import re
import shutil
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
OUTPUT = ROOT / "target" / "mutants"
# Least share that has to be noticed.
ENOUGH = 0.95
# The code of each area, and the test programs that are nearest to it; unit tests always run.
AREAS = {
    "allocation": ("src/survey/allocation", ["survey", "plan"]),
    "ntfs": ("src/filesystem/ntfs", ["filesystem"]),
    "fat": ("src/filesystem/fat", ["filesystem"]),
    "exfat": ("src/filesystem/exfat", ["filesystem"]),
    "filesystem": ("src/filesystem/*.rs", ["filesystem"]),
    "folder-tree": ("src/filesystem/folder_tree", ["filesystem"]),
    "space-map": ("src/filesystem/space_map", ["space_map", "apfs"]),
    "encryption": ("src/filesystem/volume_encryption", ["volume_encryption"]),
    "plan": ("src/plan", ["plan"]),
    "journal": ("src/store/journal", ["store", "case"]),
    "store": ("src/store/{durable_file,image}", ["store", "power_cut"]),
    "copy": ("src/copy", ["copy"]),
}
# cargo-mutants 27.1.0 runs these in every area that is run, whatever was chosen (tried): they come on top of the sample.
ALWAYS = ": delete field "
# Each run of the tests is stopped after so many seconds: a change can make a loop endless.
MOST_SECONDS = 900


def files(pattern):
    """The globs that cargo-mutants takes for an area."""
    if pattern.endswith(".rs"):
        return ["--file", pattern]
    start, brace, rest = pattern.partition("{")
    folders = [start + name for name in rest.rstrip("}").split(",")] if brace else [pattern]
    return [word for folder in folders for word in ("--file", f"{folder}/**/*.rs")]


def mutants(*words):
    environment = {
        **os.environ,
        # One folder for all areas: dependencies are built once.
        "CARGO_TARGET_DIR": str(OUTPUT / "build"),
        "CARGO_PROFILE_DEV_DEBUG": "0",
        "GLEANER_SAMPLES": str((ROOT / "../shared/real-volumes").resolve()),
    }
    return subprocess.run(["cargo-mutants", "mutants", *words], cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)


def listed(pattern):
    done = mutants("--list", "--json", *files(pattern))
    assert done.returncode == 0, done.stdout
    names = [mutant["name"] for mutant in json.loads(done.stdout)]
    return [name for name in names if ALWAYS not in name]


def run(area, names):
    """How many were caught, missed, and not to be judged because they do not compile; and those that were missed."""
    pattern, programs = AREAS[area]
    shutil.rmtree(OUTPUT / area, ignore_errors=True)
    (OUTPUT / area).mkdir(parents=True)
    chosen = [word for name in names for word in ("--re", f"^{re.escape(name)}$")]
    # Without a change first: tests that fail then would seem to notice everything.
    limits = ["--timeout", str(MOST_SECONDS), "--baseline", "run", "--no-shuffle", "--colors", "never"]
    tests = ["--lib", *(word for program in programs for word in ("--test", program))]
    mutants(*files(pattern), *chosen, *limits, "--output", str(OUTPUT / area), "--", *tests)
    told = {key: (OUTPUT / area / "mutants.out" / f"{key}.txt").read_text().splitlines() for key in ("caught", "missed", "timeout", "unviable")}
    done = {name for lines in told.values() for name in lines}
    assert done.issuperset(names), f"{area}: {told} of {names}"
    # What runs without end was noticed.
    return len(told["caught"]) + len(told["timeout"]), len(told["unviable"]), told["missed"]


def main():
    number, seed = int(sys.argv[1]), int(sys.argv[2])
    everything = [(area, name) for area, (pattern, _) in AREAS.items() for name in sorted(set(listed(pattern)))]
    sample = random.Random(seed).sample(everything, min(number, len(everything)))
    print(f"{len(sample)} of {len(everything)} changes, seed {seed}", flush=True)
    print(f"| {'area':<12} | caught | missed | do not compile |")
    print(f"|{'-' * 14}|--------|--------|----------------|", flush=True)
    caught, missed = 0, []
    for area in AREAS:
        names = [name for of, name in sample if of == area]
        if not names:
            continue
        noticed, unviable, unnoticed = run(area, names)
        print(f"| {area:<12} | {noticed:>6} | {len(unnoticed):>6} | {unviable:>14} |", flush=True)
        caught += noticed
        missed += unnoticed
    judged = caught + len(missed)
    print(f"caught: {caught} of {judged}" + (f" ({caught / judged:.1%})" if judged else ""))
    for name in missed:
        print(f"missed: {name}")
    sys.exit(0 if caught >= ENOUGH * judged else 1)


if __name__ == "__main__":
    main()
