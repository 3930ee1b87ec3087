"""HFS+ volumes that Linux's own driver has written to, in a virtual machine: the host's kernel need not have the driver.

No formatter of HFS+ is in Debian. The empty volume is made here by Technical Note TN1150 (headers, allocation file, two B-trees with
the root folder in one); that the driver mounts it and allocates in it is the proof. What is in use is said by libfshfs
(scripts/reference/hfsplus_answers.py).
"""

import os
import struct
import subprocess
import sys
import tempfile

from fixture import compress
from run import REFERENCE, REPO, TESTDATA, VENV_PYTHON, blank, patch, tool

sys.path.insert(0, os.path.join(REPO, "scripts", "check-kernel.d"))
import machine  # noqa: E402

MIB = 1 << 20
# Seconds from 1904 to 3 May 2019.
DATE = 3639744000
NAME = "Fernhollow".encode("utf-16-be")
NODE = 4096

# Which volumes: bytes, block size, and further words: "x" HFSX, "pieces" an allocation file in ten extents, "wrapped" in HFS, "full"
# filled up, "grown" from a third of its bytes, and written to again.
VOLUMES = {
    "hfsplus-4k": (24 * MIB, 4096, ()),
    "hfsplus-512": (6 * MIB, 512, ()),
    "hfsplus-1k-odd": (9 * MIB + 1536, 1024, ()),
    "hfsplus-16k": (24 * MIB, 16384, ()),
    "hfsplus-full": (5 * MIB, 4096, ("full",)),
    "hfsplus-pieces": (24 * MIB, 512, ("pieces",)),
    "hfsplus-wrapped": (16 * MIB, 4096, ("wrapped",)),
    "hfsplus-x": (12 * MIB, 2048, ("x",)),
    "hfsplus-grown": (18 * MIB, 512, ("grown",)),
    "hfsplus-grown-full": (12 * MIB, 1024, ("grown", "full")),
}


def fork(size, clump, extents):
    runs = (extents + [(0, 0)] * 8)[:8]
    return struct.pack(">QII", size, clump, sum(count for _, count in extents)) + b"".join(struct.pack(">II", *run) for run in runs)


def tree(nodes, most_key, attributes, compare, records, leaf=b""):
    """The file of a B-tree: the header node, and one leaf where there are records."""
    depth = 1 if records else 0
    head = struct.pack(">HIIIIHHIIHIBBI", depth, depth, records, depth, depth, NODE, most_key, nodes, nodes - 1 - depth, 0, NODE, 0, compare, attributes)
    header = bytearray(NODE)
    header[:14] = struct.pack(">IIbBHH", 0, 0, 1, 0, 3, 0)
    header[14 : 14 + len(head)] = head
    header[248] = 0xC0 if records else 0x80
    header[NODE - 8 :] = struct.pack(">HHHH", NODE - 8, 248, 120, 14)
    return bytes(header) + leaf + bytes((nodes - 2) * NODE if leaf else (nodes - 1) * NODE)


def leaf_of(records):
    node = bytearray(NODE)
    node[:14] = struct.pack(">IIbBHH", 0, 0, -1, 1, len(records), 0)
    at = 14
    offsets = []
    for record in records:
        node[at : at + len(record)] = record
        offsets.append(at)
        at += len(record)
    for number, offset in enumerate(offsets + [at]):
        node[NODE - 2 * (number + 1) : NODE - 2 * number] = struct.pack(">H", offset)
    return bytes(node)


def key(parent, name):
    return struct.pack(">HIH", 6 + len(name), parent, len(name) // 2) + name


def format_volume(size, block, words):
    """The bytes of an empty volume."""
    volume = bytearray(size)
    blocks = size // block
    used = set(range(-(-1536 // block)))
    used |= set(range(blocks - -(-1024 // block), blocks))

    def take(count, start):
        run = (start, count)
        assert not used & set(range(start, start + count))
        used.update(range(start, start + count))
        return run

    map_blocks = -(-(-(-blocks // 8)) // block)
    at = max(used - set(range(blocks - 2, blocks))) + 1
    if "pieces" in words:
        # Ten extents, three blocks apart: two of them stand in the extents overflow file.
        each = -(-map_blocks // 10)
        map_runs = [take(each, at + number * (each + 3)) for number in range(10)]
        at = map_runs[-1][0] + each
    else:
        map_runs = [take(map_blocks, at)]
        at += map_blocks
    tree_blocks = max(1, 8 * NODE // block)
    extents_run = take(tree_blocks, at)
    catalog_blocks = max(1, 64 * NODE // block)
    catalog_run = take(catalog_blocks, at + tree_blocks)
    overflow = []
    if len(map_runs) > 8:
        first = sum(count for _, count in map_runs[:8])
        runs = (map_runs[8:] + [(0, 0)] * 8)[:8]
        overflow = [struct.pack(">HBBII", 10, 0, 0, 6, first) + b"".join(struct.pack(">II", *run) for run in runs)]
    root = struct.pack(">HHIIIIIII", 1, 0, 0, 2, DATE, DATE, DATE, DATE, 0) + bytes(88 - 32)
    thread = struct.pack(">HHI", 3, 0, 1) + struct.pack(">H", len(NAME) // 2) + NAME
    is_x = "x" in words
    catalog = tree(catalog_blocks * block // NODE, 516, 6, 0xBC if is_x else 0xCF, 2, leaf_of([key(1, NAME) + root, key(2, b"") + thread]))
    extents = tree(tree_blocks * block // NODE, 10, 2, 0, len(overflow), leaf_of(overflow) if overflow else b"")
    header = struct.pack(">2sHI4sIIIIIIIIIIIII", b"HX" if is_x else b"H+", 5 if is_x else 4, 0x100, b"10.0", 0, DATE, DATE, 0, DATE, 0, 0, block, blocks, blocks - len(used), at, block, block)
    header += struct.pack(">IIQ", 16, 0, 1) + bytes(32)
    map_bytes = sum(count for _, count in map_runs) * block
    header += fork_with(map_bytes, block, map_runs)
    header += fork(len(extents), NODE, [extents_run]) + fork(len(catalog), NODE, [catalog_run]) + fork(0, 0, []) + fork(0, 0, [])
    assert len(header) == 512, len(header)
    volume[1024:1536] = header
    volume[size - 1024 : size - 512] = header
    volume[extents_run[0] * block : extents_run[0] * block + len(extents)] = extents
    volume[catalog_run[0] * block : catalog_run[0] * block + len(catalog)] = catalog
    bits = bytearray(map_bytes)
    for number in used:
        bits[number // 8] |= 0x80 >> number % 8
    done = 0
    for start, count in map_runs:
        volume[start * block : (start + count) * block] = bits[done : done + count * block]
        done += count * block
    return bytes(volume)


def fork_with(size, clump, runs):
    """A fork of more extents than its record holds."""
    raw = bytearray(fork(size, clump, runs[:8]))
    raw[12:16] = struct.pack(">I", sum(count for _, count in runs))
    return bytes(raw)


def grown(volume, size):
    """The volume made longer, as macOS does it (hfs_extendfs, from memory): the allocation file gets an extent more, in the new blocks; the
    old end is freed and the new one taken; both headers tell."""
    volume = bytearray(volume)
    header = volume[1024:1536]
    block, old_blocks, free = struct.unpack(">III", header[40:52])
    count, runs = struct.unpack(">I", header[124:128])[0], [struct.unpack(">II", header[at : at + 8]) for at in range(128, 192, 8)]
    runs = [run for run in runs if run[1]]
    assert sum(run[1] for run in runs) == count and old_blocks * block == len(volume)
    bits = bytearray(b"".join(volume[start * block : (start + length) * block] for start, length in runs))
    blocks = size // block
    more = -(-(-(-blocks // 8)) // block) - count
    assert more > 0
    # Not at once behind the old end, so that it cannot be one extent with what was there.
    runs.append((old_blocks + 7, more))
    bits += bytes(more * block)
    end = -(-1024 // block)
    for number in range(old_blocks - end, old_blocks):
        bits[number // 8] &= ~(0x80 >> number % 8)
    for number in [*range(old_blocks + 7, old_blocks + 7 + more), *range(blocks - end, blocks)]:
        bits[number // 8] |= 0x80 >> number % 8
    header[44:52] = struct.pack(">II", blocks, free + blocks - old_blocks - more)
    header[112:192] = fork(len(bits), block, runs)
    volume[len(volume) - 1024 : len(volume) - 512] = bytes(512)
    volume += bytes(size - len(volume))
    done = 0
    for start, length in runs:
        volume[start * block : (start + length) * block] = bits[done : done + length * block]
        done += length * block
    volume[1024:1536] = header
    volume[size - 1024 : size - 512] = header
    return bytes(volume)


def wrapped(inner):
    """An HFS wrapper around a volume, as Linux's fs/hfsplus/wrapper.c reads it: blocks of 4 KiB from sector 8 on."""
    block, first, start = 4096, 8, 3
    count = len(inner) // block
    blocks = start + count
    master = bytearray(512)
    master[:2] = b"BD"
    master[10:12] = struct.pack(">H", 0x8300)
    master[14:30] = struct.pack(">HHHIIH", 3, 0, blocks, block, block, first)
    master[36:47] = bytes([10]) + b"Fernhollow"
    master[124:130] = b"H+" + struct.pack(">HH", start, count)
    image = bytes(1024) + bytes(master) + bytes(first * 512 - 1536 + start * block) + inner
    return image + bytes(1024) + bytes(master) + bytes(512)


# What is done on a mounted volume: many files, every third of them removed, so that free space lies in pieces.
WORK = """
set -e
mkdir -p /at
mount -t hfsplus $device /at
i=0
while [ $i -lt COUNT ]; do
  mkdir -p "/at/room $((i % 7))"
  dd if=/dev/zero bs=1000 count=$((i * 37 % 61 + 1)) 2>/dev/null | tr '\\0' "$((i % 10))" > "/at/room $((i % 7))/letter $i"
  i=$((i + 1))
done
i=0
while [ $i -lt COUNT ]; do rm "/at/room $((i % 7))/letter $i"; i=$((i + 3)); done
FILL
umount /at
"""
FILL = "dd if=/dev/zero bs=4096 2>/dev/null | tr '\\0' x > /at/rest || true\nrm '/at/room 1/letter 1'"


def write_to(images, scratch):
    """Lets the driver write to all volumes, in one machine."""
    scratch = tempfile.mkdtemp(dir=scratch)
    machine.MODULES = "virtio_pci virtio_blk 9pnet_virtio 9p hfsplus nls_utf8".split()
    machine.LATER_MODULES = []
    tool(os.path.join(REPO, "scripts", "check-kernel.d", "fetch-kernel"))
    disk = os.path.join(scratch, "initial")
    machine.make_initial_ram_disk("/bin/true", disk)
    devices = []
    for number, (image, _) in enumerate(images):
        devices += ["-drive", f"file={image},if=none,id=d{number},format=raw", "-device", f"virtio-blk-pci,drive=d{number}"]
    with machine.Machine("hfsplus", scratch, disk, devices) as guest:
        for number, (_, words) in enumerate(images):
            count = 60 if "full" in words else 150
            work = WORK.replace("COUNT", str(count)).replace("FILL", FILL if "full" in words else "")
            guest.run(f"device=/dev/vd{chr(97 + number)}\n{work}", seconds=300)
        guest.run("sync")


def answers_of(image):
    return subprocess.run([VENV_PYTHON, "-B", os.path.join(REFERENCE, "hfsplus_answers.py"), image], check=True, capture_output=True, text=True).stdout


def make(names, scratch):
    """Makes the volumes named, in one run of the machine."""
    images = []
    for name in names:
        size, block, words = VOLUMES[name]
        image = os.path.join(scratch, f"{name}.img")
        content = format_volume(size // 3 if "grown" in words else size, block, words)
        content = wrapped(content) if "wrapped" in words else content
        blank(image, -(-len(content) // 512) * 512)
        patch(image, 0, content)
        images.append((image, words))
    write_to(images, scratch)
    again = []
    for name, (image, words) in zip(names, images):
        if "grown" in words:
            with open(image, "rb") as file:
                content = grown(file.read(), VOLUMES[name][0])
            blank(image, len(content))
            patch(image, 0, content)
            again.append((image, words))
    if again:
        write_to(again, scratch)
    for name, (image, _) in zip(names, images):
        text = answers_of(image)
        with open(os.path.join(TESTDATA, f"{name}.answers.json"), "w", encoding="utf-8") as file:
            file.write(text)
        compress(image, os.path.join(TESTDATA, f"{name}.img.zst"))
        print(f"{name}: {os.path.getsize(image) >> 10} KiB, {os.path.getsize(os.path.join(TESTDATA, name + '.img.zst'))} compressed", flush=True)


FIXTURES = {name: lambda fixture, scratch: make([fixture], scratch) for name in VOLUMES}
