"""What is in use on an HFS+ volume: the union of all extents of all files by libfshfs, and of headers and special files by their own
fields. The volume header's count of free blocks must agree with it.

hfsplus_answers.py IMAGE prints JSON: the blocks in use as pairs of number and count, their size, the byte where the first lies, and the
places of headers and map, in bytes of the image.
"""

import json
import struct
import sys

import pyfshfs

SPECIAL = (112, 192, 272, 352, 432)


class Part:
    """The bytes of a volume within an image, as a file: libfshfs does not read a wrapper."""

    def __init__(self, data):
        self.data, self.at = data, 0

    def read(self, size=-1):
        size = len(self.data) - self.at if size < 0 else size
        got = self.data[self.at : self.at + size]
        self.at += len(got)
        return got

    def seek(self, offset, whence=0):
        self.at = (0, self.at, len(self.data))[whence] + offset

    def tell(self):
        return self.at

    def get_size(self):
        return len(self.data)


def runs_of(raw):
    for at in range(16, 80, 8):
        start, count = struct.unpack(">II", raw[at : at + 8])
        if count == 0:
            return
        yield start, count


def overflow(data, block, header):
    """All runs of the special files that stand in the extents overflow file, whatever their order: one leaf at most is expected."""
    runs = []
    content = b"".join(data[s * block : (s + c) * block] for s, c in runs_of(header[192:272]))
    size = struct.unpack(">H", content[32:34])[0]
    first = struct.unpack(">I", content[24:28])[0]
    while first:
        node = content[first * size : (first + 1) * size]
        for number in range(struct.unpack(">H", node[10:12])[0]):
            at = struct.unpack(">H", node[size - 2 * number - 2 : size - 2 * number])[0]
            if struct.unpack(">I", node[at + 4 : at + 8])[0] < 16:
                runs += runs_of(bytes(16) + node[at + 12 : at + 76])
        first = struct.unpack(">I", node[:4])[0]
    return runs


def main():
    with open(sys.argv[1], "rb") as file:
        image = file.read()
    start, end = 0, len(image)
    if image[1024:1026] == b"BD":
        block, first = struct.unpack(">I", image[1044:1048])[0], struct.unpack(">H", image[1052:1054])[0]
        at, count = struct.unpack(">HH", image[1150:1154])
        start = first * 512 + at * block
        end = start + count * block
    data = image[start:end]
    header = data[1024:1536]
    block, blocks, free = struct.unpack(">III", header[40:52])
    used = set(range(-(-1536 // block))) | set(range(blocks - -(-1024 // block), blocks))
    for at in SPECIAL:
        for first, count in runs_of(header[at : at + 80]):
            used |= set(range(first, first + count))
    for first, count in overflow(data, block, header):
        used |= set(range(first, first + count))
    volume = pyfshfs.volume()
    volume.open_file_object(Part(data))
    files = 0

    def walk(entry):
        nonlocal files
        try:
            count = entry.get_number_of_extents()
        except OSError:
            # A folder has no fork. Whatever else is left out shows in the count of free blocks.
            count = 0
        for number in range(count):
            offset, size, flags = entry.get_extent(number)
            if not flags & 1:
                used.update(range(offset // block, -(-(offset + size) // block)))
        files += 1
        for number in range(entry.get_number_of_sub_file_entries()):
            walk(entry.get_sub_file_entry(number))

    walk(volume.get_root_directory())
    assert blocks - len(used) == free, f"{blocks} blocks, {len(used)} of files and structure, {free} free by the header"
    runs = []
    for number in sorted(used):
        if runs and sum(runs[-1]) == number:
            runs[-1][1] += 1
        else:
            runs.append([number, 1])
    places = [[start + first * block, count * block] for first, count in runs_of(header[112:192])]
    answers = {
        "kind": "hfsplus",
        "sector_bytes": 512,
        "volume_start": 0,
        "cluster_bytes": block,
        "cluster_count": blocks,
        "first_cluster_byte": start,
        "allocated": runs,
        "has_checksums": False,
        "files": [],
        "places": {"volume header": [[start + 1024, 512]], "alternate header": [[end - 1024, 512]], "map": places},
    }
    print(json.dumps(answers))


if __name__ == "__main__":
    main()
