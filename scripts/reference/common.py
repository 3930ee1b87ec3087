"""What both answer scripts share: a window on an image, run arithmetic, the JSON writer."""

import argparse
import importlib.metadata
import io
import json
import mmap
import os
import sys


class Disagreement(Exception):
    """Two independent parsers say different things about the same fact."""


class Window(io.RawIOBase):
    """A read-only, seekable view of `size` bytes of a file from `start` on: one volume of a drive."""

    def __init__(self, path, start, size=None):
        super().__init__()
        self._fd = os.open(path, os.O_RDONLY)
        end = os.lseek(self._fd, 0, os.SEEK_END)
        if start > end:
            raise ValueError(f"offset {start} is past the end of the image ({end} bytes)")
        self._start = start
        self.size = end - start if size is None else min(size, end - start)
        self._pos = 0

    def readable(self):
        return True

    def seekable(self):
        return True

    def seek(self, offset, whence=os.SEEK_SET):
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._pos, os.SEEK_END: self.size}[whence]
        self._pos = max(0, base + offset)
        return self._pos

    def tell(self):
        return self._pos

    def read(self, length=-1):
        left = max(0, self.size - self._pos)
        length = left if length is None or length < 0 else min(length, left)
        data = os.pread(self._fd, length, self._start + self._pos)
        self._pos += len(data)
        return data

    def mapped(self):
        """The whole view as bytes that are read when they are looked at: volumes may be larger than memory."""
        whole = mmap.mmap(self._fd, 0, prot=mmap.PROT_READ)
        return memoryview(whole)[self._start : self._start + self.size]

    def get_size(self):
        """Asked for by the libyal bindings."""
        return self.size

    def close(self):
        if not self.closed:
            os.close(self._fd)
        super().close()


def merged_in_file_order(runs):
    """Joins runs that follow each other on the volume; keeps the order of the file."""
    result = []
    for start, length in runs:
        if length == 0:
            continue
        if result and result[-1][0] + result[-1][1] == start:
            result[-1][1] += length
        else:
            result.append([start, length])
    return result


def set_bit_runs(bits, count):
    """Runs of set bits among the first `count` bits, least significant bit of each byte first."""
    runs = []
    start = None
    for index, byte in enumerate(bits[: (count + 7) // 8]):
        first = index * 8
        if byte == 0x00 and start is None:
            continue
        if byte == 0xFF and start is not None and first + 8 <= count:
            continue
        for bit in range(min(8, count - first)):
            if byte >> bit & 1:
                if start is None:
                    start = first + bit
            elif start is not None:
                runs.append([start, first + bit - start])
                start = None
    if start is not None:
        runs.append([start, count - start])
    return runs


def versions(*packages):
    """`name version` for every distribution that had a say."""
    return ", ".join(f"{name} {importlib.metadata.version(name)}" for name in packages)


def compact(value):
    """One line of JSON, the same for the same value; non-ASCII names are written as they are."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def write_document(out, head, files):
    """One JSON document with a line for each file, so that a reader can stream it and a diff is readable.

    `allocated` may be long too: it is kept on the head's lines like every other key.
    """
    out.write("{\n")
    for key, value in head.items():
        out.write(f"{compact(key)}:{compact(value)},\n")
    out.write('"files":[')
    separator = "\n"
    for file in files:
        out.write(separator + compact(file))
        separator = ",\n"
    out.write("\n]}\n")


def arguments(description):
    """The command line shared by the answer scripts."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("image", metavar="IMAGE")
    parser.add_argument("--offset", type=int, default=0, metavar="BYTES", help="where the volume starts")
    parser.add_argument("--size", type=int, default=None, metavar="BYTES", help="length of the volume's partition")
    return parser.parse_args()


def run(description, answer):
    """Opens the volume, prints its answers, and turns a disagreement into exit code 3."""
    args = arguments(description)
    sys.stdout.reconfigure(encoding="utf-8", errors="strict", newline="\n")
    try:
        head, files = answer(args)
        write_document(sys.stdout, head, files)
    except Disagreement as error:
        print(f"{args.image} at {args.offset}: parsers disagree: {error}", file=sys.stderr)
        sys.exit(3)
