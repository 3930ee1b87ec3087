#!/usr/bin/env python3
"""Measures `gleaner survey` on one image; scripts/bench makes the image and calls this.

Three things: the time beside dd reading the same bytes, in alternating pairs from a cold cache; the time beside the
walk of each reference parser; the peak memory beside its limit.
"""

import argparse
import csv
import datetime
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
REPOSITORY = os.path.dirname(os.path.dirname(HERE))
WALK = os.path.join(REPOSITORY, "scripts", "reference", "walk_time.py")
DOCUMENT = os.path.join(REPOSITORY, "docs", "measured.md")
MIB = 1 << 20
# More dd processes than this would measure the starting of processes. What is left out makes dd's part easier.
DD_EXTENTS = 64

# What the project has set itself.
LIMIT_BESIDE_DD = 2.0
AIM_BESIDE_DD = 1.2
LIMIT_BESIDE_WALK = 10.0
BYTES_A_RECORD, BYTES_AN_EXTENT, BYTES_FIXED = 150, 16, 40 * MIB


class Cold:
    """Empties the page cache, so that a run reads from the disk."""

    def __init__(self, image, programs):
        self.image = image
        self.programs = programs

    def prepare(self):
        os.sync()
        with open("/proc/sys/vm/drop_caches", "w", encoding="ascii") as drop:
            drop.write("3\n")
        handle = os.open(self.image, os.O_RDONLY)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(handle)
        # Loading the programs themselves is not what is compared.
        for program in self.programs:
            subprocess.run(program, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        time.sleep(0.2)


class Run:
    """One timed process."""

    def __init__(self, words, output=subprocess.DEVNULL):
        began = time.perf_counter()
        with subprocess.Popen(words, stdout=output, stderr=subprocess.PIPE) as process:
            complaint = process.stderr.read()
            _, status, usage = os.wait4(process.pid, 0)
            self.seconds = time.perf_counter() - began
            process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            sys.exit(f"{' '.join(words)} ended with {process.returncode}: {complaint.decode(errors='replace')}")
        self.user, self.system = usage.ru_utime, usage.ru_stime
        # In KiB; a process starts with what its parent had, some 20 MB, which is far below any figure of interest here.
        self.peak = usage.ru_maxrss * 1024


def traced_extents(gleaner, image):
    """What a survey asks for: ascending, merged; and the number of requests."""
    with tempfile.TemporaryDirectory() as folder:
        trace = os.path.join(folder, "trace.csv")
        Run([gleaner, "survey", image, "--quiet", "--trace", trace])
        with open(trace, encoding="ascii", newline="") as lines:
            rows = [(int(row["offset"]), int(row["length"])) for row in csv.DictReader(lines)]
    merged = []
    for start, length in sorted(rows):
        if merged and start <= merged[-1][0] + merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], start + length - merged[-1][0])
        else:
            merged.append([start, length])
    return merged, len(rows)


def dd_command(image, extents):
    """A shell that runs one dd for each extent, the largest only when there are many; and the bytes it reads."""
    chosen = sorted(sorted(extents, key=lambda e: e[1], reverse=True)[:DD_EXTENTS])
    lines = [
        f'dd if="$0" of=/dev/null bs=1M iflag=skip_bytes,count_bytes skip={start} count={length} status=none'
        for start, length in chosen
    ]
    return ["sh", "-e", "-c", "\n".join(lines), image], sum(length for _, length in chosen)


def undisturbed():
    """Lets what is timed run before everything else on the machine, dd and survey alike: without this, other work on it
    moves the ratio by half, as only one of the two computes."""
    try:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    except OSError as error:
        say(f"  no real-time priority ({error.strerror}): other work on this machine will show in the figures")
        return False
    return True


def say(text):
    print(text, file=sys.stderr, flush=True)


def measure_pairs(gleaner, image, pairs):
    cold = Cold(image, [[gleaner, "--version"], ["dd", "--version"], ["sh", "-c", ":"]])
    extents, requests = traced_extents(gleaner, image)
    dd, dd_bytes = dd_command(image, extents)
    survey = [gleaner, "survey", image, "--quiet"]
    times = {"survey": [], "dd": []}
    runs = []
    for number in range(pairs):
        # Each is first in every other pair: what one leaves behind, below this machine's own cache, helps both alike.
        order = [("survey", survey), ("dd", dd)]
        for name, words in order if number % 2 == 0 else reversed(order):
            cold.prepare()
            run = Run(words)
            times[name].append(run.seconds)
            if name == "survey":
                runs.append(run)
        say(f"  pair {number + 1}: survey {times['survey'][-1]:.3f} s, dd {times['dd'][-1]:.3f} s")
    ratios = [s / d for s, d in zip(times["survey"], times["dd"])]
    return {
        "pairs": pairs,
        "requests": requests,
        "extents_read": len(extents),
        "bytes_read": sum(length for _, length in extents),
        "dd_extents": min(len(extents), DD_EXTENTS),
        "dd_bytes": dd_bytes,
        "survey_seconds": times["survey"],
        "dd_seconds": times["dd"],
        "survey_median": statistics.median(times["survey"]),
        "dd_median": statistics.median(times["dd"]),
        "ratio_median": statistics.median(ratios),
        "ratio_least": min(ratios),
        "ratio_most": max(ratios),
        "survey_user_median": statistics.median(run.user for run in runs),
        "survey_system_median": statistics.median(run.system for run in runs),
        "peak_bytes": max(run.peak for run in runs),
    }


def measure_walks(image, python, parsers):
    walks = []
    for parser in parsers:
        Cold(image, []).prepare()
        say(f"  walk by {parser} ...")
        done = subprocess.run([python, WALK, "--parser", parser, image], capture_output=True, text=True, check=False)
        found = re.fullmatch(r"(\d+) files, (\d+) extents, ([0-9.]+) seconds\s*", done.stdout)
        if done.returncode or not found:
            sys.exit(f"the walk by {parser} ended with {done.returncode}: {done.stdout}{done.stderr}")
        walk = {"parser": parser, "files": int(found[1]), "extents": int(found[2]), "seconds": float(found[3])}
        say(f"    {walk['files']} files, {walk['extents']} extents, {walk['seconds']:.1f} s")
        walks.append(walk)
    return walks


def counts(gleaner, image):
    """File records and extents of the volume, for the limit of memory.

    Records: the length of $MFT as its own first record has it (Linux fs/ntfs/layout.h: data_size at 0x30 of a
    non-resident attribute), read here and not asked of gleaner. Extents: the list gleaner gives, which the
    tests compare with independent parsers.
    """
    with open(image, "rb") as volume:
        boot = volume.read(512)
        sector = int.from_bytes(boot[11:13], "little")
        cluster = sector * boot[13]
        volume.seek(int.from_bytes(boot[48:56], "little") * cluster)
        record = volume.read(4096)
    at = int.from_bytes(record[20:22], "little")
    while int.from_bytes(record[at : at + 4], "little") != 0x80:
        at += int.from_bytes(record[at + 4 : at + 8], "little")
    table_bytes = int.from_bytes(record[at + 48 : at + 56], "little")
    shift = int.from_bytes(boot[64:65], "little", signed=True)
    record_bytes = 1 << -shift if shift < 0 else shift * cluster

    files = deleted = extents = 0
    with subprocess.Popen([gleaner, "files", image, "--quiet"], stdout=subprocess.PIPE) as listing:
        for line in listing.stdout:
            entry = json.loads(line)
            extents += len(entry["extents"])
            if entry["deleted"]:
                deleted += 1
            elif entry.get("stream") is None and entry.get("attribute") is None:
                files += 1
    if listing.returncode:
        sys.exit(f"{gleaner} files {image} ended with {listing.returncode}")
    return {"records": table_bytes // record_bytes, "files_and_folders": files, "deleted": deleted, "extents": extents}


def machine():
    with open("/proc/meminfo", encoding="ascii") as lines:
        memory = int(re.search(r"MemTotal:\s+(\d+)", lines.read())[1]) * 1024
    return {"cores": os.cpu_count(), "memory_gib": round(memory / (1 << 30))}


def limit_of_memory(volume):
    return BYTES_A_RECORD * volume["records"] + BYTES_AN_EXTENT * volume["extents"] + BYTES_FIXED


def rows(report):
    """The table: what, figure, goal, whether it is kept."""
    pairs = report["pairs"]
    ratio, beyond = pairs["ratio_median"], pairs["survey_median"] - pairs["dd_median"]
    computing = f"{pairs['survey_user_median']:.3f} s user, {pairs['survey_system_median']:.3f} s system"
    yield "bytes a survey reads", f"{pairs['bytes_read'] / 1e6:.1f} MB in {pairs['requests']} requests", "", None
    yield "survey, cold cache", f"{pairs['survey_median']:.3f} s", "", None
    yield "  processor time of it", computing, "", None
    yield "dd bs=1M, the same bytes", f"{pairs['dd_median']:.3f} s", "", None
    yield (
        "survey / dd",
        f"{ratio:.2f} ({pairs['ratio_least']:.2f} to {pairs['ratio_most']:.2f})",
        f"<= {LIMIT_BESIDE_DD} (aim {AIM_BESIDE_DD})",
        ratio <= LIMIT_BESIDE_DD,
    )
    # What a slower drive adds to both sides leaves this as it is.
    yield "survey - dd", f"{beyond:.3f} s", "", None
    for walk in report["walks"]:
        yield f"walk by {walk['parser']}", f"{walk['seconds']:.1f} s", "", None
    if report["walks"]:
        times = min(walk["seconds"] for walk in report["walks"]) / pairs["survey_median"]
        yield "fastest walk / survey", f"{times:.1f}", f">= {LIMIT_BESIDE_WALK:.0f}", times >= LIMIT_BESIDE_WALK
    limit = limit_of_memory(report["volume"])
    peak = pairs["peak_bytes"]
    yield "peak memory of survey", f"{peak / MIB:.1f} MiB", f"<= {limit / MIB:.1f} MiB", peak <= limit


def formula(volume):
    return (
        f"{BYTES_A_RECORD} B x {volume['records']} records + {BYTES_AN_EXTENT} B x {volume['extents']} extents"
        f" + {BYTES_FIXED // MIB} MiB = {limit_of_memory(volume) / MIB:.1f} MiB"
    )


def table(report):
    lines = []
    for what, figure, goal, kept in rows(report):
        verdict = "" if kept is None else "yes" if kept else "NO"
        lines.append(f"{what:<26} {figure:<36} {goal:<18} {verdict}".rstrip())
    lines.append(f"limit of memory: {formula(report['volume'])}")
    return "\n".join(lines)


def document(report):
    here, volume, pairs = report["machine"], report["volume"], report["pairs"]
    body = "\n".join(
        f"| {what.strip()} | {figure} | {goal} | {'' if kept is None else 'yes' if kept else '**no**'} |"
        for what, figure, goal, kept in rows(report)
    )
    share = 100 * pairs["dd_bytes"] / pairs["bytes_read"]
    priority = (
        "Both run at real-time priority, ahead of other work on the machine."
        if report["real_time_priority"]
        else "Other work on the machine shows in the figures."
    )
    walks = "".join(
        f"\n  {walk['parser']}: {walk['files']} files and folders, {walk['extents']} extents and holes of unnamed data."
        for walk in report["walks"]
    )
    return f"""# Measured

Written by `scripts/bench --write-docs` on {report["date"]}, on a machine with {here["cores"]} cores and
{here["memory_gib"]} GiB of memory.

The volume: NTFS, {volume["apparent_gib"]} GiB, made by `mkntfs` and the FUSE driver (`scripts/bench.d/make_volume.py`):
{volume["files_and_folders"]} existing files and folders, {volume["deleted"]} deleted ones, {volume["records"]} file records,
{volume["extents"]} extents.

| what | figure | goal | kept |
|---|---|---|---|
{body}

Limit of memory: {formula(volume)}.

## How

- `gleaner survey IMAGE --quiet` beside one `dd bs=1M iflag=skip_bytes,count_bytes` for each extent that `survey --trace`
  shows ({pairs["dd_extents"]} of {pairs["extents_read"]} merged extents, {share:.2f} % of the bytes). {pairs["pairs"]} pairs, each side first in every other
  pair. {priority}
- Before every run the page cache is emptied (`/proc/sys/vm/drop_caches`, and `POSIX_FADV_DONTNEED` on the image) and the
  programs themselves are loaded again. What lies below this machine's own page cache is not emptied; both sides meet it
  alike.
- Times are medians of the runs; the ratio is the median of the pairs' ratios, with the least and the most. `survey - dd`
  is what is computed after the last read: a slower drive makes both sides longer by the same and leaves it as it is.
- The walks are `scripts/reference/walk_time.py`, once each, from an empty cache; starting Python is not counted.{walks}
- Peak memory is the most of all runs' `ru_maxrss`.
"""


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("image")
    parser.add_argument("--gleaner", required=True, help="the program")
    parser.add_argument("--python", required=True, help="the interpreter that has the reference parsers")
    parser.add_argument("--pairs", type=int, default=9)
    parser.add_argument("--parsers", default="libfsntfs,dissect", help="reference parsers to time; empty for none")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write-docs", action="store_true")
    args = parser.parse_args()
    real_time = undisturbed()
    report = {
        "date": datetime.date.today().isoformat(),
        "machine": machine(),
        "real_time_priority": real_time,
        "volume": {"apparent_gib": os.stat(args.image).st_size >> 30, **counts(args.gleaner, args.image)},
        "pairs": measure_pairs(args.gleaner, args.image, args.pairs),
        "walks": measure_walks(args.image, args.python, [name for name in args.parsers.split(",") if name]),
    }
    report["goals_kept"] = all(kept is not False for *_, kept in rows(report))
    print(json.dumps(report, indent=2) if args.json else table(report))
    if args.write_docs:
        with open(DOCUMENT, "w", encoding="utf-8") as out:
            out.write(document(report))
    sys.exit(0 if report["goals_kept"] else 1)


if __name__ == "__main__":
    main()
