#!/usr/bin/env python3
"""Measures `gleaner copy` beside dd on a drive of noise; scripts/bench calls this.

The drive has no table and no volume, so a plan of scope `whole` is one long stretch: the same number of contiguous bytes
that dd reads and writes. Both end with what they wrote on the disk, and gleaner hashes as well.
"""

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys

from measure import DOCUMENT, MIB, Cold, Run, undisturbed

LIMIT_BESIDE_DD = 1.05
LIMIT_PEAK = 64 * MIB


def make_noise(path, size):
    """Bytes without structure, so that nothing is found in them and nothing is left out as a hole."""
    with open(path, "wb") as out:
        for _ in range(size // MIB):
            out.write(os.urandom(MIB))
        os.fsync(out.fileno())


def prepared_case(gleaner, drive, case, form):
    """A case whose plan takes the whole drive. Nothing is recognised there: exit code 7."""
    shutil.rmtree(case, ignore_errors=True)
    for words in (["survey", drive], ["plan", "--scope", "whole"]):
        done = subprocess.run([gleaner, *words, "--case", case, "--quiet"], stdout=subprocess.DEVNULL, check=False)
        if done.returncode not in (0, 7):
            sys.exit(f"gleaner {words[0]} ended with {done.returncode}")
    return [gleaner, "copy", drive, "--case", case, "--quiet", "--as", form]


def measure(gleaner, folder, size, pairs, form):
    """Alternating pairs from a cold cache."""
    drive, case, twin = (os.path.join(folder, name) for name in ("noise.img", "noise-case", "noise-twin.img"))
    if not os.path.exists(drive) or os.path.getsize(drive) != size:
        make_noise(drive, size)
    cold = Cold(drive, [[gleaner, "--version"], ["dd", "--version"]])
    copies, twins = [], []
    for number in range(pairs):
        for side in ("copy", "dd") if number % 2 == 0 else ("dd", "copy"):
            if side == "copy":
                words = prepared_case(gleaner, drive, case, form)
                cold.prepare()
                copies.append(Run(words))
                shutil.rmtree(case)
            else:
                cold.prepare()
                twins.append(Run(["dd", f"if={drive}", f"of={twin}", "bs=1M", "conv=fsync", "status=none"]))
                os.remove(twin)
    ratios = [copy.seconds / twin.seconds for copy, twin in zip(copies, twins)]
    return {
        "form": form,
        "bytes": size,
        "pairs": pairs,
        "copy_seconds": statistics.median(run.seconds for run in copies),
        "dd_seconds": statistics.median(run.seconds for run in twins),
        "ratio": statistics.median(ratios),
        "ratio_least": min(ratios),
        "ratio_most": max(ratios),
        "peak_bytes": max(run.peak for run in copies),
    }


def table(rows):
    """The figures as a Markdown table."""
    lines = ["| copy | figure | goal | kept |", "|---|---|---|---|"]
    for row in rows:
        kept = "yes" if row["ratio"] <= LIMIT_BESIDE_DD else "NO"
        lines.append(f"| {row['bytes'] / 1e9:.2f} GB into {row['form']} | {row['copy_seconds']:.2f} s |  |  |")
        lines.append(f"| dd bs=1M conv=fsync, the same bytes | {row['dd_seconds']:.2f} s |  |  |")
        spread = f"{row['ratio']:.3f} ({row['ratio_least']:.3f} to {row['ratio_most']:.3f})"
        lines.append(f"| copy / dd | {spread} | <= {LIMIT_BESIDE_DD} | {kept} |")
        kept = "yes" if row["peak_bytes"] <= LIMIT_PEAK else "NO"
        lines.append(f"| peak memory of copy | {row['peak_bytes'] / MIB:.1f} MiB | <= {LIMIT_PEAK // MIB} MiB | {kept} |")
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", help="where the drive and the copies lie")
    parser.add_argument("--gleaner", required=True, help="the program")
    parser.add_argument("--pairs", type=int, default=9)
    parser.add_argument("--bytes", type=int, default=2048 * MIB)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write-docs", action="store_true")
    args = parser.parse_args()
    undisturbed()
    rows = [measure(args.gleaner, args.folder, args.bytes, args.pairs, form) for form in ("raw", "vhdx")]
    print(json.dumps(rows, indent=2) if args.json else table(rows))
    if args.write_docs:
        with open(DOCUMENT, "a", encoding="utf-8") as out:
            out.write(f"\n## Copying\n\n{table(rows)}\n\n")
            out.write(
                f"`gleaner copy` of a plan that takes a whole drive of noise (one stretch), beside dd; {args.pairs} alternating\n"
                "pairs from a cold cache, medians. Both have everything on the disk when they end; gleaner hashes each chunk and\n"
                "keeps its journal on the way.\n"
            )
    sys.exit(0 if all(r["ratio"] <= LIMIT_BESIDE_DD and r["peak_bytes"] <= LIMIT_PEAK for r in rows) else 1)


if __name__ == "__main__":
    main()
