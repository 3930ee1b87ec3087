"""ext volumes for the tests of damage, by `mke2fs`; what is in use and where structure lies, by `dumpe2fs`."""

import json
import os
import re

from fixture import compress
from run import TESTDATA, blank, tool

MIB = 1 << 20
UUID = "0f3e0000-5eed-4a11-8b0b-00000000e{:03x}"

# Bytes, words for mke2fs.
VOLUMES = {
    "ext4-used": (34 * MIB, ["-t", "ext4", "-b", "1024", "-U", UUID.format(4)]),
    "ext2-used": (26 * MIB, ["-t", "ext2", "-b", "1024", "-U", UUID.format(2)]),
}


def files(scratch):
    """Some 9 MB in files of many sizes."""
    folder = os.path.join(scratch, "Fernhollow")
    for number in range(200):
        room = os.path.join(folder, f"room {number % 7}")
        os.makedirs(room, exist_ok=True)
        with open(os.path.join(room, f"letter {number}"), "wb") as file:
            file.write(bytes([number % 251]) * ((number * 7919 % 61 + 1) * 1500))
    return folder


def answers_of(image):
    text = tool("dumpe2fs", image)

    def field(name):
        return int(re.search(rf"^{name}: +([0-9]+)$", text, re.M)[1])

    block, blocks = field("Block size"), field("Block count")
    free = []
    for ranges in re.findall(r"^  Free blocks: (.+)$", text, re.M):
        for part in filter(None, ranges.strip().split(", ")):
            first, _, last = part.partition("-")
            free.append((int(first), int(last or first) + 1))
    in_use, at = [], 0
    for first, end in [*free, (blocks, blocks)]:
        if first > at:
            in_use.append([at, first - at])
        at = end
    assert sum(end - first for first, end in free) == field("Free blocks")

    def places(pattern):
        numbers = [(int(m[0]), int(m[1] or m[0])) for m in re.findall(pattern, text, re.M)]
        return [[first * block, (last - first + 1) * block] for first, last in numbers]

    copies = r"^  Backup superblock at ([0-9]+)()"
    return {
        "kind": "ext",
        "sector_bytes": 512,
        "volume_start": 0,
        "cluster_bytes": block,
        "cluster_count": blocks,
        "first_cluster_byte": 0,
        "allocated": in_use,
        "has_checksums": "metadata_csum" in text,
        "files": [],
        "places": {
            "superblock": [[1024, 1024]],
            "copies of the superblock": places(copies),
            "group descriptors": places(r"^  Primary superblock at [0-9]+, Group descriptors at ([0-9]+)-?([0-9]*)"),
            "copies of the descriptors": places(r"^  Backup superblock at [0-9]+, Group descriptors at ([0-9]+)-?([0-9]*)"),
            "map": places(r"^  Block bitmap at ([0-9]+)()"),
        },
    }


def make(fixture, scratch):
    size, words = VOLUMES[fixture]
    image = os.path.join(scratch, f"{fixture}.img")
    blank(image, size)
    tool("mke2fs", "-q", "-F", "-E", "root_owner=0:0", *words, "-d", files(scratch), image)
    with open(os.path.join(TESTDATA, f"{fixture}.answers.json"), "w", encoding="utf-8") as file:
        json.dump(answers_of(image), file)
        file.write("\n")
    target = os.path.join(TESTDATA, f"{fixture}.img.zst")
    compress(image, target)
    print(f"{fixture}: {size >> 10} KiB, {os.path.getsize(target)} compressed", flush=True)


FIXTURES = {name: make for name in VOLUMES}
