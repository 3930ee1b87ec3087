"""Changes the code in one place at a time and sees whether a test fails: run.py NUMBER SEED, or run.py --only WORDS

Ends with 1 when the tests noticed too few of the changes. Works on a copy of the files that git knows, in target/mutants.
"""

import collections
import json
import os
import pathlib
import random
import re
import shutil
import signal
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
OUTPUT = ROOT / "target" / "mutants"
SOURCE = OUTPUT / "source"
SCRATCH = OUTPUT / "tmp"
LOG = OUTPUT / "last.log"
# Least share that has to be noticed.
ENOUGH = 0.95
# The code of each area, and what of the test programs is nearest to it, the quickest first: the program, and words in the names of its
# tests where not all of them are near. They run on what the unit tests miss.
AREAS = {
    "allocation": ("src/survey/allocation", ["survey", "plan"]),
    "ntfs": ("src/filesystem/ntfs", ["filesystem ntfs:: windows::"]),
    "fat": ("src/filesystem/fat", ["filesystem fat:: windows::"]),
    "exfat": ("src/filesystem/exfat", ["filesystem exfat:: windows::"]),
    "filesystem": ("src/filesystem/*.rs", ["filesystem"]),
    "folder-tree": ("src/filesystem/folder_tree", ["filesystem"]),
    "space-map": ("src/filesystem/space_map", ["space_map", "apfs"]),
    "encryption": ("src/filesystem/volume_encryption", ["volume_encryption"]),
    "plan": ("src/plan", ["plan"]),
    "journal": ("src/store/journal", ["store", "case"]),
    "store": ("src/store/{durable_file,image}", ["store", "power_cut"]),
    "copy": ("src/copy", ["copy", "crash refusals::"]),
}
UNIT_TESTS = "--lib"
CAUGHT, MISSED, NO_CODE = "caught", "missed", "does not compile"
# A change can make a loop endless: each run may take so many times as long as without a change, and so many seconds more.
LONGER, AND_SECONDS = 5, 60
# Quick to build rather than quick to run, but for the crates that hash and decrypt.
ENVIRONMENT = {
    **os.environ,
    "CARGO_TARGET_DIR": str(OUTPUT / "build"),
    "CARGO_INCREMENTAL": "1",
    "CARGO_PROFILE_DEV_OPT_LEVEL": "0",
    "CARGO_PROFILE_DEV_DEBUG": "0",
    "GLEANER_SAMPLES": os.environ.get("GLEANER_SAMPLES", str((ROOT / "../shared/real-volumes").resolve())),
    "TMPDIR": str(SCRATCH),
}
QUICK_CRATES = ["--config", 'profile.dev.package."*".opt-level=2']


def copy_source():
    """The files that git knows, as they are now, with their times: what has not changed is not built again."""
    shutil.rmtree(SOURCE, ignore_errors=True)
    known = subprocess.run(["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout
    for name in known.decode().split("\0"):
        if name and (ROOT / name).exists():
            (SOURCE / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, SOURCE / name)
    (SOURCE / ".venv").symlink_to((ROOT / ".venv").resolve())
    # What was built last has the last change of the run before in it.
    (SOURCE / "src" / "lib.rs").touch()


def listed(pattern):
    """Every change that cargo-mutants knows for an area."""
    start, brace, rest = pattern.partition("{")
    folders = [start + name for name in rest.rstrip("}").split(",")] if brace else [pattern]
    globs = folders if pattern.endswith(".rs") else [f"{folder}/**/*.rs" for folder in folders]
    words = [word for glob in globs for word in ("--file", glob)]
    done = subprocess.run(["cargo-mutants", "mutants", "--list", "--json", *words], cwd=SOURCE, check=True, stdout=subprocess.PIPE)
    return sorted(json.loads(done.stdout), key=lambda change: change["name"])


def changed(text, change):
    """The text of a file with one change made in it."""
    lines = text.splitlines(keepends=True)

    def offset(place):
        return sum(len(line) for line in lines[: place["line"] - 1]) + place["column"] - 1

    start, end = (offset(change["span"][side]) for side in ("start", "end"))
    return text[:start] + change["replacement"] + text[end:]


def run(words, seconds):
    """Whether a cargo command ended well; what has not ended in time is stopped with all that it started."""
    with LOG.open("wb") as output:
        started = subprocess.Popen(["cargo", *words], cwd=SOURCE, env=ENVIRONMENT, stdout=output, stderr=output, start_new_session=True)
        try:
            return started.wait(seconds) == 0
        except subprocess.TimeoutExpired:
            return False
        finally:
            if started.poll() is None:
                os.killpg(started.pid, signal.SIGKILL)
                started.wait()


class Tests:
    """The tests, with the time that they take when nothing is changed, and those that fail even so."""

    def __init__(self):
        self.seconds = {}
        self.failing = {}

    def command(self, tests, *more):
        program, *words = tests.split()
        skipped = [word for name in self.failing.get(tests, []) for word in ("--skip", name)]
        return ["test", *QUICK_CRATES, *([program] if program == UNIT_TESTS else ["--test", program]), *more, "--", *words, *skipped]

    def build(self, tests):
        return run(self.command(tests, "--no-run"), None)

    def pass_with(self, tests):
        shutil.rmtree(SCRATCH, ignore_errors=True)
        SCRATCH.mkdir()
        return run(self.command(tests), self.seconds[tests] * LONGER + AND_SECONDS)

    def measure(self, tests):
        """Without a change first: tests that fail then, on a busy machine, would seem to notice everything."""
        self.seconds[tests] = 1800
        if not self.build(tests):
            sys.exit(f"without a change {tests} does not compile: {LOG}")
        began = time.monotonic()
        if not self.pass_with(tests):
            self.failing[tests] = re.findall(r"^test (.*) \.\.\. FAILED$", LOG.read_text(errors="replace"), re.MULTILINE)
            print(f"without a change these fail and are left out: {', '.join(self.failing[tests])}", flush=True)
            if not self.failing[tests]:
                sys.exit(f"without a change {tests} does not end: {LOG}")
        self.seconds[tests] = time.monotonic() - began
        print(f"without a change {tests} takes {self.seconds[tests]:.0f} s", flush=True)

    def judge(self, change, tests):
        """Whether the change is caught, is missed, or does not compile."""
        if tests not in self.seconds:
            self.measure(tests)
        file = SOURCE / change["file"]
        text = file.read_text()
        file.write_text(changed(text, change))
        try:
            if not self.build(tests):
                return NO_CODE
            return MISSED if self.pass_with(tests) else CAUGHT
        finally:
            file.write_text(text)


def chosen(words):
    """The changes to make, each with its area: a sample, or those with one of the words in their names."""
    everything = [(area, change) for area, (pattern, _) in AREAS.items() for change in listed(pattern)]
    if words[0] == "--only":
        sample = [(area, change) for area, change in everything if any(word in change["name"] for word in words[1:])]
        print(f"{len(sample)} of {len(everything)} changes", flush=True)
    else:
        sample = random.Random(int(words[1])).sample(everything, min(int(words[0]), len(everything)))
        print(f"{len(sample)} of {len(everything)} changes, seed {words[1]}", flush=True)
    return sample


def main():
    OUTPUT.mkdir(parents=True, exist_ok=True)
    copy_source()
    sample = chosen(sys.argv[1:])
    tests = Tests()
    outcomes = {}
    # The unit tests on all of them, then area by area what is near on what is left: so the least is built anew.
    steps = [(UNIT_TESTS, sample)]
    for area, (_, nearest) in AREAS.items():
        steps += [(of, [entry for entry in sample if entry[0] == area]) for of in nearest]
    for of, entries in steps:
        for area, change in entries:
            if outcomes.get(change["name"], MISSED) == MISSED:
                began = time.monotonic()
                outcome = outcomes[change["name"]] = tests.judge(change, of)
                print(f"{time.monotonic() - began:.0f} s  {of}  {outcome}: {change['name']}", flush=True)
    counts = collections.defaultdict(collections.Counter)
    for area, change in sample:
        counts[area][outcomes[change["name"]]] += 1
    missed = [name for name, outcome in outcomes.items() if outcome == MISSED]
    print(f"| {'area':<12} | {CAUGHT} | {MISSED} | {NO_CODE} |")
    print(f"|{'-' * 14}|--------|--------|------------------|")
    for area, of in counts.items():
        print(f"| {area:<12} | {of[CAUGHT]:>6} | {of[MISSED]:>6} | {of[NO_CODE]:>16} |")
    caught = sum(of[CAUGHT] for of in counts.values())
    judged = caught + len(missed)
    print(f"caught: {caught} of {judged}" + (f" ({caught / judged:.1%})" if judged else ""))
    for name in missed:
        print(f"missed: {name}")
    sys.exit(0 if caught >= ENOUGH * judged else 1)


if __name__ == "__main__":
    main()
