#!/usr/bin/env python3
"""What two independent parsers say about an NTFS volume, as one JSON document on standard output.

dissect.ntfs gives every attribute of every file record; libfsntfs gives the same data streams, sizes,
extents and paths, and a difference ends the run with exit code 3. See testdata/README.md for the document's shape.
"""

import io
import os
import sys
from typing import NamedTuple

import dissect.ntfs.mft
import pyfsntfs
from dissect.ntfs import NTFS
from dissect.ntfs.exceptions import Error as NtfsError
from dissect.ntfs.mft import MftRecord
from dissect.ntfs.util import segment_reference

from common import Disagreement, Window, merged_in_file_order, run, set_bit_runs, versions

ROOT = 5
IN_USE = 0x1
IS_FOLDER = 0x2
DOS_ONLY = 2
COMPRESSED, SPARSE = 0x00FF, 0x8000
ATTRIBUTE_LIST, FILE_NAME, VOLUME_NAME, DATA, INDEX_ALLOCATION = 0x20, 0x30, 0x60, 0x80, 0xA0
TYPE_NAMES = {
    0x10: "$STANDARD_INFORMATION",
    0x20: "$ATTRIBUTE_LIST",
    0x30: "$FILE_NAME",
    0x40: "$OBJECT_ID",
    0x50: "$SECURITY_DESCRIPTOR",
    0x60: "$VOLUME_NAME",
    0x70: "$VOLUME_INFORMATION",
    0x80: "$DATA",
    0x90: "$INDEX_ROOT",
    0xA0: "$INDEX_ALLOCATION",
    0xB0: "$BITMAP",
    0xC0: "$REPARSE_POINT",
    0xD0: "$EA_INFORMATION",
    0xE0: "$EA",
    0xF0: "$PROPERTY_SET",
    0x100: "$LOGGED_UTILITY_STREAM",
}


class PaddedRecord(MftRecord):
    """A file record whose last attribute is not lost.

    dissect reads every attribute header as the 64 bytes of the non-resident form, and takes an attribute that starts
    less than 64 bytes before the end of the record for the end of the list: a small resident $DATA in a full record
    vanishes. Zero bytes behind the record prevent that.
    """

    @classmethod
    def from_bytes(cls, data, ntfs=None):
        record = super().from_bytes(data, ntfs)
        record.data += bytes(64)
        return record


dissect.ntfs.mft.MftRecord = PaddedRecord


class Record:
    """What is kept of one base file record: small, since a volume may have hundreds of thousands."""

    __slots__ = ("deleted", "folder", "names", "sequence", "streams")

    def __init__(self, deleted, folder, sequence):
        self.deleted = deleted
        self.folder = folder
        self.sequence = sequence
        self.names = []  # (parent record, parent sequence, name), the 8.3 names left out
        self.streams = {}  # (type, name) -> Stream

    def clusters(self):
        """Whether the record names any."""
        return any(stream.runs for stream in self.streams.values())


class Stream(NamedTuple):
    """One attribute with all its extents joined."""

    size: int
    valid_size: int
    resident: bool
    flags: int
    runs: list  # (lcn or None, clusters)


NO_STREAM = Stream(0, 0, True, 0, [])


def open_dissect(window):
    # An empty $SDS and $UsnJrnl keep the parser from walking the root index, which these answers do not need.
    return NTFS(window, sds=io.BytesIO(b""), usnjrnl=io.BytesIO(b""))


def parse_record(mft, number):
    """The base record `number`, or None for an extension record or one that was never written."""
    try:
        raw = mft.get(number)
    except (NtfsError, ValueError, EOFError):
        mft.fh.seek(number * mft.ntfs._record_size)
        if not any(mft.fh.read(4)):
            return None
        raise
    base = raw.header.BaseFileRecordSegment
    if segment_reference(base) or base.SequenceNumber:
        return None
    deleted = not raw.header.Flags & IN_USE
    record = Record(deleted, bool(raw.header.Flags & IS_FOLDER), raw.header.SequenceNumber)
    groups = {}
    for attribute in own_attributes(raw, number):
        kind = int(attribute.header.type.value)
        if kind == FILE_NAME:
            name = attribute.attribute.attr
            if name.Flags != DOS_ONLY:
                parent = name.ParentDirectory
                record.names.append((segment_reference(parent), parent.SequenceNumber, name.FileName))
        groups.setdefault((kind, attribute.header.name), []).append(attribute.header)
    for key, headers in groups.items():
        record.streams[key] = joined(number, key, headers, deleted)
    return record


def own_attributes(raw, number):
    """The attributes of a record and its extension records.

    dissect follows the attribute list of a deleted record too, into records that may belong to another file by
    now: only extension records that name this one as their base count.
    """
    try:
        collections = list(raw.attributes.values())
    except (NtfsError, ValueError, EOFError, OSError):
        if raw.header.Flags & IN_USE:
            raise
        return  # a deleted record whose non-resident attribute list has been overwritten
    for collection in collections:
        for attribute in collection:
            owner = attribute.header.record
            if owner.segment != number and segment_reference(owner.header.BaseFileRecordSegment) != number:
                if raw.header.Flags & IN_USE:
                    raise Disagreement(f"record {number}: extension {owner.segment} belongs to another record")
                continue
            yield attribute


def joined(number, key, headers, deleted):
    """Size, residency and runs of one attribute whose extents may lie in several records."""
    if headers[0].resident:
        if len(headers) > 1 and key[0] != FILE_NAME:
            raise Disagreement(f"record {number}: {len(headers)} resident attributes {key}")
        return Stream(headers[0].size, headers[0].size, True, headers[0].flags, [])
    headers = sorted(headers, key=lambda header: header.lowest_vcn)
    runs = []
    next_vcn = 0
    for header in headers:
        if header.lowest_vcn != next_vcn and not deleted:
            raise Disagreement(f"record {number}: {key} has VCN {header.lowest_vcn} where {next_vcn} is due")
        part = header.dataruns()
        next_vcn = header.lowest_vcn + sum(count for _, count in part)
        # An attribute without clusters has highest VCN -1, which dissect reads as unsigned.
        highest = header.highest_vcn if header.highest_vcn < 1 << 63 else header.highest_vcn - (1 << 64)
        if next_vcn != highest + 1 and not deleted:
            raise Disagreement(f"record {number}: {key} runs end at VCN {next_vcn - 1}, the header says {highest}")
        runs.extend(part)
    first = headers[0]
    return Stream(first.size, first.header.Form.Nonresident.ValidDataLength, False, first.flags, runs)


class Paths:
    """Paths from parent references, each folder worked out once."""

    def __init__(self, records):
        self._records = records
        self._folders = {ROOT: ""}

    def of(self, number):
        if number == ROOT:
            return ["/"]
        record = self._records[number]
        found = set()
        for parent, sequence, name in record.names:
            prefix = self._folder(parent, sequence, record.deleted)
            if prefix is not None:
                found.add(f"{prefix}/{name}")
        return sorted(found)

    def _folder(self, number, sequence, for_deleted):
        """The path of a folder, None if the reference does not lead to the root.

        Freeing a record adds one to its sequence number, so a deleted folder is known to its deleted children by
        the number before.
        """
        trail = []
        while number not in self._folders:
            record = self._records.get(number)
            if record is None or not record.folder or not record.names or number in (seen for seen, _ in trail):
                return None
            if record.sequence != sequence and not (
                for_deleted and record.deleted and record.sequence == sequence + 1
            ):
                return None
            if record.deleted and not for_deleted:
                return None
            parent, parent_sequence, name = record.names[0]
            trail.append((number, name))
            number, sequence = parent, parent_sequence
        path = self._folders[number]
        cacheable = True
        for number, name in reversed(trail):
            path = f"{path}/{name}"
            cacheable = cacheable and not self._records[number].deleted
            if cacheable:
                self._folders[number] = path
        return path


def byte_extents(runs, cluster):
    """Whole clusters, volume-relative bytes, in file order; holes have no extent."""
    return merged_in_file_order((lcn * cluster, count * cluster) for lcn, count in runs if lcn is not None)


def file_objects(number, record, paths, cluster):
    """The answer's objects for one base record: the file or folder itself, its named streams, other attributes."""
    common = {
        "path": paths[0] if paths else None,
        "paths": paths,
        "name": record.names[0][2] if record.names else None,
        "record": number,
        "deleted": record.deleted,
    }
    kind = "folder" if record.folder else "file"
    main = (INDEX_ALLOCATION, "$I30") if record.folder else (DATA, "")
    data = facts(record.streams.get(main, NO_STREAM), cluster)
    yield {**common, "kind": kind, "stream": None, "attribute": None, **data}
    for (code, name), stream in sorted(record.streams.items()):
        if (code, name) == main or (stream.resident and code != DATA):
            continue
        attribute = None if code == DATA else TYPE_NAMES.get(code, hex(code))
        yield {**common, "kind": kind, "stream": name or None, "attribute": attribute, **facts(stream, cluster)}


def facts(stream, cluster):
    """The keys of an answer that belong to one attribute."""
    return {
        "size": stream.size,
        "valid_size": stream.valid_size,
        "resident": stream.resident,
        "compressed": bool(stream.flags & COMPRESSED),
        "sparse": bool(stream.flags & SPARSE),
        "extents": byte_extents(stream.runs, cluster),
    }


def fs_extents(stream):
    """Extents as libfsntfs gives them, sparse ones (flag 1) left out."""
    extents = (stream.get_extent(index) for index in range(stream.number_of_extents))
    return merged_in_file_order((start, length) for start, length, flags in extents if not flags & 1)


def splits_index_block(volume, record, cluster):
    """Whether a block of the folder's index lies in more than one run.

    libfsntfs reads such a block as if it were in one piece and then gives up on the whole record.
    """
    stream = record.streams.get((INDEX_ALLOCATION, "$I30"), NO_STREAM)
    at = 0
    for _, count in stream.runs:
        at += count * cluster
        if at % volume.index_entry_size and at < stream.size:
            return True
    return False


def cross_check(volume, number, record, paths, cluster):
    """Compares one in-use record with what libfsntfs says of it."""
    try:
        entry = volume.get_file_entry(number)
    except OSError:
        if record.folder and splits_index_block(volume, record, cluster):
            print(f"record {number}: not cross-checked, libfsntfs cannot read its split index blocks", file=sys.stderr)
            return
        raise
    if not entry.is_allocated():
        raise Disagreement(f"record {number}: in use for dissect, not for libfsntfs")
    if entry.has_directory_entries_index() != record.folder:
        raise Disagreement(f"record {number}: folder {record.folder} for dissect, the reverse for libfsntfs")
    theirs = {}
    if entry.has_default_data_stream():
        theirs[""] = (entry.size, fs_extents(entry))
    for stream in entry.alternate_data_streams:
        theirs[stream.name] = (stream.size, fs_extents(stream))
    ours = {
        name: (stream.size, byte_extents(stream.runs, cluster))
        for (kind, name), stream in record.streams.items()
        if kind == DATA
    }
    if ours != theirs:
        raise Disagreement(f"record {number}: dissect {str(ours)[:400]}, libfsntfs {str(theirs)[:400]}")
    if number != ROOT:
        hints = set()
        for index in range(entry.number_of_attributes):
            if entry.get_attribute(index).attribute_type == FILE_NAME:
                hints.add(entry.get_path_hint(index).replace("\\", "/"))
        missing = set(paths) - hints
        if missing:
            raise Disagreement(f"record {number}: paths {sorted(missing)} for dissect, libfsntfs has {sorted(hints)}")


def answer(args):
    window = Window(args.image, args.offset, args.size)
    ntfs = open_dissect(window)
    cluster = ntfs.cluster_size
    boot = ntfs.boot_sector
    cluster_count = boot.NumberSectors * ntfs.sector_size // cluster
    record_count = ntfs.mft.get(0).size() // ntfs._record_size

    records = {}
    for number in range(record_count):
        record = parse_record(ntfs.mft, number)
        # A record that was formatted or reserved but never used has no name and no clusters: nothing to answer for.
        if record is not None and (not record.deleted or record.names or record.clusters()):
            records[number] = record

    bitmap = ntfs.mft.get(6).open().read()
    volume = pyfsntfs.volume()
    volume.open_file_object(window)
    if volume.cluster_block_size != cluster or volume.mft_entry_size != ntfs._record_size:
        raise Disagreement("cluster or record size")
    if volume.number_of_file_entries != record_count:
        raise Disagreement(f"{record_count} records for dissect, {volume.number_of_file_entries} for libfsntfs")
    label = ntfs.volume_name
    if (volume.name or "") != (label or ""):
        raise Disagreement(f"label {label!r} for dissect, {volume.name!r} for libfsntfs")

    head = {
        "parser": versions("dissect.ntfs", "libfsntfs-python"),
        "kind": "ntfs",
        "volume_start": args.offset,
        "cluster_bytes": cluster,
        "cluster_count": cluster_count,
        "first_cluster_byte": 0,
        "record_bytes": ntfs._record_size,
        "record_count": record_count,
        "sector_bytes": ntfs.sector_size,
        "label": label,
        "allocated": set_bit_runs(bitmap, cluster_count),
    }

    def files():
        resolver = Paths(records)
        for number, record in records.items():
            paths = resolver.of(number)
            if not record.deleted:
                cross_check(volume, number, record, paths, cluster)
            yield from file_objects(number, record, paths, cluster)

    return head, files()


if __name__ == "__main__":
    run(__doc__, answer)
    sys.stdout.flush()
    os._exit(0)  # skips the slow teardown of a large volume's objects
