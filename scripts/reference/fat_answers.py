#!/usr/bin/env python3
"""What two independent parsers say about a FAT12, FAT16 or FAT32 volume, as one JSON document on standard output.

dissect.fat gives the allocation table and the folders; libfsfat gives the same files, sizes and extents, and a
difference ends the run with exit code 3. See testdata/README.md for the document's shape.
"""

import os
import sys

import dissect.fat.fat
import pyfsfat
from dissect.fat import FATFS
from dissect.fat.c_fat import c_fat

from common import Disagreement, Window, merged_in_file_order, run, versions

DELETED, END = 0xE5, 0x00
LOWER_BASE, LOWER_EXTENSION = 0x08, 0x10
ENTRY = 32


class CheckedFat(dissect.fat.fat.FAT):
    """dissect's table with its run list put right, and without endless chains.

    dissect's own `runlist` compares a cluster number with a run start that is two lower: it joins a step back by one
    cluster as if it were a step forward, and leaves true neighbours apart.
    """

    def chain(self, cluster):
        steps = 0
        for number in super().chain(cluster):
            steps += 1
            if steps > self.entry_count:
                raise Disagreement(f"the chain from cluster {cluster} does not end")
            yield number

    def runlist(self, cluster):
        for start, count in merged_in_file_order((number, 1) for number in self.chain(cluster)):
            yield start - 2, count


dissect.fat.fat.FAT = CheckedFat


class Volume:
    """A FAT volume as dissect sees it, with the few figures it works out but does not keep."""

    def __init__(self, window):
        self.fs = FATFS(window)
        self.cluster = self.fs.cluster_size
        self.first_cluster_byte = self.fs.first_data_sector * self.fs.sector_size
        self.cluster_count = (self.fs.total_sectors - self.fs.first_data_sector) // self.fs.bpb.BPB_SecPerClus

    def extents(self, first_cluster):
        """Volume-relative bytes of a chain, in its own order."""
        if first_cluster == 0:
            return []
        runs = self.fs.fat.runlist(first_cluster)
        return [[self.first_cluster_byte + start * self.cluster, count * self.cluster] for start, count in runs]

    def entries_in_use(self):
        """Runs of clusters whose table entry is not zero, and those marked bad."""
        bits = self.fs.fat.bits_per_entry
        bad_mark = 0x0FFFFFF7 & ((1 << bits) - 1)
        used, bad = [], []
        for number in range(2, self.cluster_count + 2):
            value = self.fs.fat.get(number)
            if value:
                used.append((number, 1))
                if value == bad_mark:
                    bad.append(number)
        return merged_in_file_order(used), bad


def short_name(dirent, encoding, first=None):
    """The 8.3 name with the case that the two flag bits of byte 12 give it (dissect leaves them out)."""
    raw = bytearray(dirent.DIR_Name)
    if raw[0] == 0x05:
        raw[0] = 0xE5
    if first is not None:
        raw[0] = first
    base = raw[:8].decode(encoding).rstrip()
    extension = raw[8:].decode(encoding).rstrip()
    if dirent.DIR_NTRes & LOWER_BASE:
        base = base.lower()
    if dirent.DIR_NTRes & LOWER_EXTENSION:
        extension = extension.lower()
    return f"{base}.{extension}" if extension else base


def live_objects(volume, folder, path):
    """One object for each live entry of a folder and all below it."""
    for entry in folder.iterdir():
        dirent = entry.dirent
        if entry.is_volume_id():
            continue
        name = entry.name if entry.ldirents else short_name(dirent, volume.fs.encoding)
        if name in (".", ".."):
            continue
        full = f"{path}/{name}"
        extents = volume.extents(entry.cluster)
        is_folder = entry.is_directory()
        size = sum(length for _, length in extents) if is_folder else dirent.DIR_FileSize
        yield described(full, name, is_folder, size, extents, entry.cluster)
        if is_folder:
            yield from live_objects(volume, entry, full)
    yield from deleted_objects(volume, folder, path)


def described(path, name, is_folder, size, extents, first_cluster, deleted=False, long_name=None):
    return {
        "path": path,
        "paths": [path],
        "name": name,
        "record": None,
        "deleted": deleted,
        "kind": "folder" if is_folder else "file",
        "stream": None,
        "attribute": None,
        "size": size,
        "first_cluster": first_cluster,
        **({"long_name": long_name} if deleted else {}),
        "extents": extents,
    }


def deleted_objects(volume, folder, path):
    """Deleted entries of one folder, from its bytes: the parsers do not show them.

    The first character of the short name is lost and stands as `?`; the chain is lost too, so there are no extents.
    """
    content = folder.open().read()
    long_parts = []
    for at in range(0, len(content) - ENTRY + 1, ENTRY):
        raw = content[at : at + ENTRY]
        if raw[0] == END:
            return
        dirent = c_fat.Dirent(raw)
        is_long = dirent.DIR_Attr & 0x3F == 0x0F
        if raw[0] != DELETED:
            long_parts = []
            continue
        if is_long:
            long_parts.append(raw)
            continue
        name = short_name(dirent, volume.fs.encoding, ord("?"))
        long_name = joined_long_name(long_parts)
        long_parts = []
        if dirent.DIR_Attr & 0x08:
            continue
        cluster = (dirent.DIR_FstClusHI << 16 if volume.fs.fat.bits_per_entry == 32 else 0) | dirent.DIR_FstClusLO
        yield described(
            f"{path}/{name}", name, bool(dirent.DIR_Attr & 0x10), dirent.DIR_FileSize, None, cluster, True, long_name
        )


def joined_long_name(parts):
    """The long name of a deleted entry: its parts stand last part first, all with one checksum."""
    if not parts:
        return None
    # Parts of another deleted entry may stand before: keep those that share the last one's checksum.
    checksum = parts[-1][13]
    own = []
    for raw in reversed(parts):
        if raw[13] != checksum:
            break
        own.append(raw[1:11] + raw[14:26] + raw[28:32])
    return b"".join(own).decode("utf-16-le", errors="replace").split("\0")[0]


def root_object(volume):
    """The root folder: a chain on FAT32, a fixed region before the first cluster on FAT12 and FAT16."""
    fs = volume.fs
    if fs.fat.bits_per_entry == 32:
        extents = volume.extents(fs.root.cluster)
    else:
        start = (fs.bpb.BPB_RsvdSecCnt + fs.bpb.BPB_NumFATs * fs.fat_size) * fs.sector_size
        extents = [[start, volume.first_cluster_byte - start]]
    return described("/", "", True, sum(length for _, length in extents), extents, fs.root.cluster)


def cross_check(window, objects, label):
    """Compares paths, sizes and extents of all live files with what libfsfat says."""
    volume = pyfsfat.volume()
    volume.open_file_object(window)
    theirs = {}

    def walk(folder, path):
        for entry in folder.sub_file_entries:
            full = f"{path}/{entry.name}"
            is_folder = bool(entry.file_attribute_flags & 0x10)
            extents = (entry.get_extent(index) for index in range(entry.number_of_extents))
            # It gives no extents for folders.
            theirs[full] = None if is_folder else (
                entry.size,
                merged_in_file_order((start, length) for start, length, _ in extents),
            )
            if is_folder:
                walk(entry, full)

    walk(volume.root_directory, "")
    ours = {
        item["path"]: None if item["kind"] == "folder" else (item["size"], item["extents"])
        for item in objects
        if not item["deleted"] and item["path"] != "/"
    }
    for path in sorted(set(ours) | set(theirs)):
        if path not in ours or path not in theirs or ours[path] != theirs[path]:
            raise Disagreement(
                f"{path!r}: dissect {str(ours.get(path, 'nothing'))[:300]}, "
                f"libfsfat {str(theirs.get(path, 'nothing'))[:300]}"
            )
    # libfsfat joins the label like a short name: blanks that end its first eight characters are lost.
    if volume.label and label and volume.label.strip() != label[:8].rstrip() + label[8:]:
        raise Disagreement(f"label {label!r} for dissect, {volume.label!r} for libfsfat")


def answer(args):
    window = Window(args.image, args.offset, args.size)
    volume = Volume(window)
    fs = volume.fs
    label = None
    for entry in fs.root.iterdir():
        if entry.is_volume_id():
            label = bytes(entry.dirent.DIR_Name).decode(fs.encoding).rstrip()
    used, bad = volume.entries_in_use()
    objects = [root_object(volume), *live_objects(volume, fs.root, "")]
    objects.sort(key=lambda item: (item["path"], item["deleted"], item["first_cluster"] or 0))
    cross_check(window, objects, label)
    fat_start = fs.bpb.BPB_RsvdSecCnt * fs.sector_size
    fat_bytes = fs.fat_size * fs.sector_size
    head = {
        "parser": versions("dissect.fat", "libfsfat-python"),
        "kind": fs.type.name.lower(),
        "volume_start": args.offset,
        "cluster_bytes": volume.cluster,
        "cluster_count": volume.cluster_count,
        "first_cluster_byte": volume.first_cluster_byte,
        "sector_bytes": fs.sector_size,
        "volume_bytes": fs.total_sectors * fs.sector_size,
        "fats": [[fat_start + index * fat_bytes, fat_bytes] for index in range(fs.bpb.BPB_NumFATs)],
        "label": label,
        "boot_label": fs.volume_label,
        "allocated": used,
        "bad_clusters": bad,
    }
    return head, objects


if __name__ == "__main__":
    run(__doc__, answer)
    sys.stdout.flush()
    os._exit(0)  # skips the slow teardown of a large volume's objects
