"""exFAT fixtures: formatted by mkfs.exfat, filled through the FUSE driver exfat-fuse."""

import contextlib
import os
import struct

from content import pattern
from run import Failed, blank, patch, served, tool

STAMP = 1556870400  # the time of every file and folder
NAMES = (
    "a",
    "fifteen letters",
    "sixteen letters.",
    "Été à la prairie.txt",
    "植物調査 春.txt",
    "Полевой журнал.txt",
    "\U0001f33f herb.txt",
    "two.dots.txt",
    "thirty letters in two entries.",
    "q" * 251 + ".txt",
)


@contextlib.contextmanager
def looped(image, sector):
    """The image as a block device with sectors of this size: the formatter takes the size from there."""
    device = tool("losetup", "--find", "--show", "--sector-size", sector, image).strip()
    try:
        yield device
    finally:
        tool("losetup", "--detach", device)


@contextlib.contextmanager
def mounted(image, folder, sector, options="rw"):
    """The volume mounted by the driver."""
    with looped(image, sector) as device:
        with served(["mount.exfat-fuse", "-d", "-o", options, device, folder], image, folder, ["umount"]) as place:
            yield place


def format_exfat(image, size, serial, label, cluster, sector):
    blank(image, size)
    with looped(image, sector) as device:
        tool("mkfs.exfat", "-L", label, "-c", cluster, device)
        tool("exfatlabel", "-i", device, serial)


class Stage:
    """Writes into a mounted volume."""

    def __init__(self, mount, cluster):
        self.mount = mount
        self.cluster = cluster

    def add(self, path, size):
        full = self.mount + path
        os.makedirs(os.path.dirname(full), exist_ok=True)
        with open(full, "wb") as file:
            file.write(pattern(path, size, self.cluster))

    def add_together(self, paths, clusters):
        """Files that grow in turns, one cluster at a time: each lies in as many pieces as it has clusters."""
        for path in paths:
            os.makedirs(os.path.dirname(self.mount + path), exist_ok=True)
        files = [open(self.mount + path, "wb", buffering=0) for path in paths]
        whole = [pattern(path, clusters * self.cluster - 9, self.cluster) for path in paths]
        for index in range(clusters):
            for file, data in zip(files, whole):
                file.write(data[index * self.cluster : (index + 1) * self.cluster])
        for file in files:
            file.close()

    def delete(self, path):
        os.remove(self.mount + path)

    def settle(self):
        """Gives everything the same time, from the leaves up."""
        for root, _, files in os.walk(self.mount, topdown=False):
            for name in files:
                os.utime(os.path.join(root, name), (STAMP, STAMP))
            os.utime(root, (STAMP, STAMP))


def fill(mount, cluster, many, pads, pieces):
    """The office's files, then the awkward ones; `many` entries in one folder, `pads` files to chop up free space."""
    stage = Stage(mount, cluster)
    for name, size in {
        "/Surveys/2019 Meadow/plot list.csv": 3 * cluster + 17,
        "/Surveys/2019 Meadow/north edge.csv": cluster,
        "/Surveys/2020 Fen/water levels.csv": 9 * cluster + 1,
        "/Surveys/set aside.dat": 6 * cluster - 3,
        "/Photos/2019/orchid 0001.jpg": 21 * cluster - 5,
        "/Photos/2020/sedge 0001.jpg": 12 * cluster,
        "/Users/ida/Documents/report draft.odt": 5 * cluster + 100,
        "/Users/tom/Documents/empty.txt": 0,
    }.items():
        stage.add(name, size)
    os.makedirs(mount + "/Users/tom/Nothing yet")
    stage.add("/" + "/".join(f"level {depth:02d}" for depth in range(1, 16)) + "/bottom.txt", cluster + 1)
    # fsck.exfat 1.2 takes a set of entries that is larger than a cluster (19 of 32 bytes) for a damaged one.
    for name in NAMES if cluster > 512 else NAMES[:-1]:
        stage.add(f"/Surveys/Names/{name}", 60)
    stage.add_together([f"/Photos/Stripes/stripe {index}.raw" for index in range(3)], pieces)
    for index in range(many):
        stage.add(f"/Specimens/specimen {index:05d}.txt", 0 if index % 5 else 40)
    for index in range(4):
        stage.add(f"/Withdrawn sheets/inner/sheet {index}.csv", 2 * cluster)
    stage.add("/Users/ida/Old drafts/whole.odt", 7 * cluster + 1)
    stage.add("/Users/ida/Old drafts/taken in part.odt", 5 * cluster)
    stage.add_together([f"/Users/ida/Old drafts/stripe {index}.raw" for index in range(2)], 8)
    for index in range(pads):
        stage.add(f"/Pads/pad {index:04d}.tmp", cluster)
    stage.settle()
    for index in range(1, pads, 2):
        stage.delete(f"/Pads/pad {index:04d}.tmp")
    # Into the holes: about one run for each.
    stage.add("/Photos/mosaic.raw", (pads // 2 * 4 // 5) * cluster - 7)
    for path in ("whole.odt", "taken in part.odt", "stripe 0.raw", "stripe 1.raw"):
        stage.delete(f"/Users/ida/Old drafts/{path}")
    for index in range(4):
        stage.delete(f"/Withdrawn sheets/inner/sheet {index}.csv")
    os.rmdir(mount + "/Withdrawn sheets/inner")
    os.rmdir(mount + "/Withdrawn sheets")
    for path in ("/Photos/mosaic.raw", "/Users/ida/Old drafts", "/Photos", "/Pads", "/"):
        os.utime(mount + path, (STAMP, STAMP))


def cut_valid_length(image, name, valid):
    """Says that only the first `valid` bytes of a file were ever written, as systems do that set space aside."""
    with open(image, "rb") as file:
        data = file.read()
    units = name.encode("utf-16-le")
    at = data.find(b"\xc1\x00" + units[:30]) - 64
    if at < 0 or data[at] != 0x85 or data[at + 32] != 0xC0:
        raise Failed(f"{image}: no set of entries for {name!r}")
    entries = bytearray(data[at : at + 32 * (1 + data[at + 1])])
    struct.pack_into("<Q", entries, 32 + 8, valid)
    total = 0
    for index, byte in enumerate(entries):
        if index not in (2, 3):
            total = ((0x8000 if total & 1 else 0) + (total >> 1) + byte) & 0xFFFF
    struct.pack_into("<H", entries, 2, total)
    patch(image, at, bytes(entries))


def volume(size, serial, label, cluster, sector, many, pads, pieces):
    """A maker of an image with one exFAT volume: `make(image, mount folder)`."""

    def make(image, mount):
        format_exfat(image, size, serial, label, cluster, sector)
        with mounted(image, mount, sector):
            fill(mount, cluster, many, pads, pieces)
        cut_valid_length(image, "set aside.dat", 2 * cluster + 5)

    make.sector = sector
    return make


CLUSTERS_512 = volume(16 << 20, "0x0f3eef01", "FERN EX 512", 512, 512, 1000, 1200, 200)
CLUSTERS_4K = volume(24 << 20, "0x0f3eef02", "FERN EX 4K", 4096, 512, 1000, 400, 100)
CLUSTERS_128K = volume(96 << 20, "0x0f3eef03", "FERN 128K", 128 << 10, 512, 100, 60, 10)
SECTOR_4096 = volume(32 << 20, "0x0f3eef04", "Farn 植物", 4096, 4096, 1000, 400, 100)
