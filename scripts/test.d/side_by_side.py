"""Builds every test program and runs several at a time: most of them wait more than they work. Prints what each printed, once it has
ended, and at last how long each took. One that failed runs once more, alone, and is named even when it passes then. Ends with 1 when
one failed alone too.
"""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor

ROOT = pathlib.Path(__file__).resolve().parents[2]
AT_ONCE = 4
# Its tests hold times against times that were set: it runs before the others and gives way to none of them.
TIMED = "timed"
# Images of many MiB come and go: memory that the C library gives back to the kernel each time costs a quarter of all the work.
ENVIRONMENT = {**os.environ, "MALLOC_ARENA_MAX": "1", "MALLOC_MMAP_THRESHOLD_": "2000000000", "MALLOC_TRIM_THRESHOLD_": "8000000000"}
# Two builds: the unit tests, quick to run in any case, are built sooner without optimisation.
BUILDS = [
    ["--workspace", "--test", "*", "--bins"],
    ["--lib", "--config", "profile.dev.package.gleaner.opt-level=0"],
]
# The long ones begin first, so that none of them is left alone at the end.
LONG = ["copy", "crash", "case", "filesystem", "report", "volume_encryption", "damage", "cli", "survey", "results", "sick_drives", "partition"]


def built():
    """Builds every test program: its name, its package's folder, its file."""
    lines = []
    for targets in BUILDS:
        command = ["cargo", "test", *targets, "--no-run", "--message-format", "json-render-diagnostics"]
        done = subprocess.run(command, cwd=ROOT, check=False, stdout=subprocess.PIPE)
        if done.returncode != 0:
            sys.exit(done.returncode)
        lines += done.stdout.splitlines()
    programs = []
    for line in lines:
        message = json.loads(line)
        if message["reason"] == "compiler-artifact" and message["profile"]["test"] and message["executable"]:
            kind = message["target"]["kind"][0]
            name = message["target"]["name"] if kind == "test" else f"{message['target']['name']} ({kind})"
            programs.append((name, pathlib.Path(message["manifest_path"]).parent, message["executable"]))
    return programs


def order(program):
    """Where a program stands among those that run."""
    name = program[0]
    return (name != TIMED, LONG.index(name) if name in LONG else len(LONG), name)


def run(program):
    """Runs one program to its end; whether it passed, and the seconds it took."""
    name, folder, file = program
    polite = [] if name == TIMED else ["nice", "-n", "19"]
    began = time.monotonic()
    with tempfile.TemporaryFile() as printed:
        started = subprocess.Popen([*polite, file], cwd=folder, env=ENVIRONMENT, stdin=subprocess.DEVNULL, stdout=printed, stderr=printed)
        _, status, used = os.wait4(started.pid, 0)
        started.returncode = os.waitstatus_to_exitcode(status)
        took, worked = time.monotonic() - began, used.ru_utime + used.ru_stime
        printed.seek(0)
        text = printed.read().decode(errors="replace")
    print(f"     Running {name}: {took:.0f} s, {worked:.0f} s of a core\n{text}", flush=True)
    return started.returncode == 0, took


def main():
    programs = sorted(built(), key=order)
    began = time.monotonic()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = list(pool.map(run, programs))
    failed = [program for program, (passed, _) in zip(programs, results) if not passed]
    longest = sorted(((took, program[0]) for program, (_, took) in zip(programs, results)), reverse=True)[:8]
    print(f"{len(programs)} test programs in {time.monotonic() - began:.0f} s; longest: {', '.join(f'{name} {took:.0f} s' for took, name in longest)}")
    again = {program[0]: run(program)[0] for program in failed}
    for name, passed in again.items():
        print(f"scripts/test: {name} failed beside others, " + ("and passed alone: it depends on time" if passed else "and alone"))
    if not all(again.values()):
        sys.exit(1)


if __name__ == "__main__":
    main()
