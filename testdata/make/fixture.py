"""From an image to what is kept in testdata: the answers, the checks, the compressed files."""

import json
import os
import shutil

import exfat_volumes
import fat_volumes
import verify
from run import Failed, REFERENCE, TESTDATA, VENV_PYTHON, mounted, tool

PLAIN_JSON_LIMIT = 30_000
FSCK_LET_PASS = {"  Auto-correcting.", "Leaving filesystem unchanged."}


def answers_of(image, kind, offset=0, size=None):
    """The answers of the reference parsers for one volume, as their script printed them."""
    words = [VENV_PYTHON, "-B", os.path.join(REFERENCE, f"{kind}_answers.py"), image, "--offset", offset]
    if size is not None:
        words += ["--size", size]
    return tool(*words)


def compress(source, target):
    """zstd -19 without a long window: at most 8 MiB, which every decoder takes."""
    # Under another name first: a test that reads the old file meanwhile shall not meet half a new one.
    tool("zstd", "-19", "--force", "--quiet", "--no-progress", source, "-o", f"{target}.new")
    os.replace(f"{target}.new", target)


def keep_answers(name, text):
    """Writes `name`.answers.json, compressed when it is long."""
    plain = os.path.join(TESTDATA, f"{name}.answers.json")
    kept, other = plain, f"{plain}.zst"
    with open(f"{plain}.new", "w", encoding="utf-8") as file:
        file.write(text)
    if len(text.encode()) < PLAIN_JSON_LIMIT:
        os.replace(f"{plain}.new", plain)
    else:
        kept, other = other, kept
        compress(f"{plain}.new", kept)
        os.remove(f"{plain}.new")
    if os.path.exists(other):
        os.remove(other)


def keep_image(name, image):
    compress(image, os.path.join(TESTDATA, f"{name}.img.zst"))


def describe(name, image, answers, compared):
    """One line for the person who runs the maker."""
    live = [file for file in answers["files"] if not file["deleted"]]
    most = max(live, key=lambda file: len(file["extents"]))
    print(
        f"{name}: {answers['kind']}, {os.path.getsize(image) >> 10} KiB, clusters {answers['cluster_count']} x "
        f"{answers['cluster_bytes']}, {len(live)} live objects, {len(answers['files']) - len(live)} deleted, "
        f"most runs {len(most['extents'])} ({most['path']}), {compared} contents compared",
        flush=True,
    )


def keep_ntfs(name, image, scratch):
    """Answers, checks and files of an image that is one NTFS volume."""
    tool("ntfsfix", "--no-action", image)
    text = answers_of(image, "ntfs")
    answers = json.loads(text)
    verify.check_ownership(answers)
    copy = os.path.join(scratch, "compare.img")
    shutil.copyfile(image, copy)  # even a read-only mount may touch the journal
    with mounted(copy, os.path.join(scratch, "mount"), "ro,streams_interface=windows") as mount:
        compared = verify.check_contents(answers, image, verify.reader(mount))
    os.remove(copy)
    describe(name, image, answers, compared)
    keep_answers(name, text)
    keep_image(name, image)


def keep_fat(name, image, scratch):
    """Answers, checks and files of an image that is one FAT volume."""
    said = tool("fsck.fat", "-n", image, codes=(0, 1)).splitlines()
    # mkfs.fat counts the clusters it was told are bad as free in the FSInfo sector; no other complaint is let pass.
    complaints = [line for line in said[1:-1] if line.strip()]
    if any(line not in FSCK_LET_PASS and not line.startswith("Free cluster summary wrong") for line in complaints):
        raise Failed("\n".join(said))
    text = answers_of(image, "fat")
    answers = json.loads(text)
    verify.check_ownership(answers)
    copied = os.path.join(scratch, "copied")
    shutil.rmtree(copied, ignore_errors=True)
    os.makedirs(copied)
    copy = os.path.join(scratch, "compare.img")
    shutil.copyfile(image, copy)
    fat_volumes.put_stand_in_back(copy)
    tool("mcopy", "-s", "-n", "-i", copy, "::*", copied)
    os.remove(copy)
    read = verify.reader(copied)
    compared = verify.check_contents(
        answers, image, lambda file: read({**file, "path": fat_volumes.stand_in_path(file["path"])})
    )
    shutil.rmtree(copied)
    describe(name, image, answers, compared)
    keep_answers(name, text)
    keep_image(name, image)


def keep_exfat(name, image, sector, scratch):
    """Answers, checks and files of an image that is one exFAT volume."""
    text = answers_of(image, "exfat")
    answers = json.loads(text)
    verify.check_ownership(answers)
    with exfat_volumes.looped(image, sector) as device:
        said = tool("fsck.exfat", "-n", device)
        dumped = tool("dump.exfat", device)
    live = [file["kind"] for file in answers["files"] if not file["deleted"] and not file["attribute"]]
    if f"clean. directories {live.count('folder')}, files {live.count('file')}" not in said:
        raise Failed(said)
    in_use = sum(count for _, count in answers["allocated"])
    lines = [[part.strip() for part in line.split(":", 1)] for line in dumped.splitlines()]
    for key, value in {
        "Volume label": answers["label"],
        "Cluster Count": answers["cluster_count"],
        "Cluster size": answers["cluster_bytes"],
        "Cluster Heap Offset (sector offset)": answers["first_cluster_byte"] // answers["sector_bytes"],
        "Root Cluster (cluster offset)": answers["root_cluster"],
        "Free Clusters": answers["cluster_count"] - in_use,
    }.items():
        if [key, str(value)] not in lines:
            raise Failed(f"dump.exfat does not say {key} {value}:\n{dumped}")
    copy = os.path.join(scratch, "compare.img")
    shutil.copyfile(image, copy)
    with exfat_volumes.mounted(copy, os.path.join(scratch, "mount"), sector, "ro") as mount:
        read = verify.reader(mount)
        # exfat-fuse 1.3 takes no notice of the valid length: it gives the clusters as they stand.
        compared = verify.check_contents(
            answers, image, lambda file: read(file)[: file["valid_size"]] + bytes(file["size"] - file["valid_size"])
        )
    os.remove(copy)
    describe(name, image, answers, compared)
    keep_answers(name, text)
    keep_image(name, image)
