#!/usr/bin/env python3
"""What dissect.apfs and libfsapfs say about an APFS container, as one JSON document on standard output.

`allocated` are the set bits of the bitmaps that the space manager of the newest sound checkpoint leads to, by the structures of
dissect.apfs. It has no reader for them beyond that, so the way there is written here from the Apple File System Reference;
what it gives must agree with the counts of the chunks and of the space manager. The blocks that tell it are named beside it.

`reached` are the blocks that were read to open the container, all its volumes and all their files to the end, by dissect.apfs
and by libfsapfs: each of them is in use, or lies in the areas of the checkpoints. Encrypted volumes are opened as far as it
goes without their key.
"""

import contextlib
import stat

import pyfsapfs
from dissect.apfs.apfs import APFS
from dissect.apfs.c_apfs import c_apfs
from dissect.apfs.objects import NxSuperblock
from dissect.apfs.objects.base import Object

import common

CHUNK_COUNT = 0xFFFFF
LAST_MAP = 1


class Witness(common.Window):
    """A window that remembers what was read."""

    def __init__(self, path, start, size):
        super().__init__(path, start, size)
        self.seen = []

    def read(self, length=-1):
        at = self.tell()
        data = super().read(length)
        self.seen.append((at, len(data)))
        return data


def opened(image):
    """dissect.apfs takes every block for one of 4096 bytes until it has read the first."""
    image.seek(0)
    c_apfs.consts["NX_DEFAULT_BLOCK_SIZE"] = int.from_bytes(image.read(40)[36:], "little")
    return APFS(image)


def newest(container):
    """Superblock and space manager of the newest checkpoint whose checksums hold, and the blocks of its maps and the latter."""
    head = container.sb.object
    ring = [Object.from_address(container, head.nx_xp_desc_base + n) for n in range(head.nx_xp_desc_blocks)]
    found = [o for o in ring if isinstance(o, NxSuperblock) and o.is_valid() and o.object.nx_uuid == head.nx_uuid]
    for superblock in sorted(found, key=lambda o: o.xid, reverse=True):
        fields = superblock.object
        count = fields.nx_xp_desc_len
        maps = [ring[(fields.nx_xp_desc_index + n) % len(ring)] for n in range(count - 1)]
        if not all(m.is_valid() and m.xid == superblock.xid for m in maps):
            continue
        entries = [e for m in maps for e in m.object.cpm_map[: m.object.cpm_count]]
        entry = next((e for e in entries if e.cpm_oid == fields.nx_spaceman_oid), None)
        if entry is None:
            continue
        # Behind the end of its area an object goes on at the start.
        base, length = fields.nx_xp_data_base, fields.nx_xp_data_blocks
        count = entry.cpm_size // container.block_size
        places = [base + (entry.cpm_paddr - base + n) % length for n in range(count)]
        block = b"".join(container._read_block(at) for at in places)
        manager = Object.from_block(container, entry.cpm_paddr, block)
        if manager.is_valid() and manager.xid == superblock.xid:
            return superblock, manager, [m.address for m in maps], places
    raise common.Disagreement("no checkpoint is sound")


def addresses(buffer, at, count):
    return [int.from_bytes(buffer[at + 8 * n : at + 8 * n + 8], "little") for n in range(count)]


def allocated(container, manager):
    """Runs of set bits, the number of free blocks, the blocks of chunk addresses and chunk information, those of bitmaps."""
    device = manager.object.sm_dev[0]
    infos = addresses(manager.block, device.sm_addr_offset, device.sm_cab_count or device.sm_cib_count)
    told = list(infos)
    if device.sm_cab_count:
        tables = [Object.from_address(container, at).object for at in infos]
        infos = [at for table in tables for at in table.cab_cib_addr[: table.cab_cib_count]]
        told += infos
    runs, free, at, bitmaps = [], 0, 0, []
    for address in infos:
        info = Object.from_address(container, address)
        if not info.is_valid():
            raise common.Disagreement(f"chunk information at block {address} is damaged")
        for chunk in info.object.cib_chunk_info[: info.object.cib_chunk_info_count]:
            blocks, unused = chunk.ci_block_count & CHUNK_COUNT, chunk.ci_free_count & CHUNK_COUNT
            bits = container._read_block(chunk.ci_bitmap_addr) if chunk.ci_bitmap_addr else b""
            bitmaps += [chunk.ci_bitmap_addr] if bits else []
            found = common.set_bit_runs(bits, blocks)
            if chunk.ci_addr != at or sum(count for _, count in found) != blocks - unused:
                raise common.Disagreement(f"the chunk at block {chunk.ci_addr} contradicts its bitmap")
            runs += [[at + first, count] for first, count in found]
            at += blocks
            free += unused
    if (at, free) != (device.sm_block_count, device.sm_free_count):
        raise common.Disagreement("the chunks contradict the space manager")
    return common.merged_in_file_order(runs), free, told, bitmaps


def walk_dissect(container):
    volumes = [volume for volume in container.volumes if not volume.is_encrypted]
    snapshots = [snapshot.open() for volume in volumes for snapshot in volume.snapshots]
    for volume in volumes + snapshots:
        for inode in volume.inodes():
            for attribute in inode.xattr.values():
                attribute.open().read()
            if inode.is_file():
                inode.open().read()


def walk_libfsapfs(image):
    """It opens no container with a damaged checkpoint and none with thousands of snapshots, and does not know every
    compression: what it read until then counts.
    """
    container = pyfsapfs.container()
    try:
        container.open_file_object(image)
        volumes = [container.get_volume(number) for number in range(container.number_of_volumes)]
    except OSError:
        return
    for volume in volumes:
        if volume.is_locked():
            continue
        folders = [volume.get_root_directory()]
        while folders:
            for entry in folders.pop().sub_file_entries:
                if stat.S_ISDIR(entry.file_mode):
                    folders.append(entry)
                elif stat.S_ISREG(entry.file_mode) and entry.size:
                    with contextlib.suppress(OSError):
                        entry.read_buffer(entry.size)


def blocks_of(seen, size):
    blocks = sorted({block for at, length in seen for block in range(at // size, -(-(at + length) // size))})
    return common.merged_in_file_order([[block, 1] for block in blocks])


def answer(args):
    image = Witness(args.image, args.offset, args.size)
    container = opened(image)
    superblock, manager, maps, places = newest(container)
    runs, free, told, bitmaps = allocated(container, manager)
    fields = superblock.object
    image.seen.clear()
    if any(fields.nx_fs_oid):
        walk_dissect(opened(image))
        walk_libfsapfs(image)
    head = {
        "parser": common.versions("dissect.apfs", "libfsapfs-python"),
        "kind": "apfs",
        "volume_start": args.offset,
        "cluster_bytes": container.block_size,
        "cluster_count": superblock.object.nx_block_count,
        "first_cluster_byte": 0,
        "sector_bytes": 512,
        "transaction": superblock.xid,
        "free": free,
        "allocated": runs,
        "descriptors": [fields.nx_xp_desc_base, fields.nx_xp_desc_blocks],
        "superblock": superblock.address,
        "maps": maps,
        "object_map": fields.nx_omap_oid,
        "space_manager": places,
        "chunk_information": told,
        "bitmaps": bitmaps,
        "reached": blocks_of(image.seen, container.block_size),
    }
    return head, []


if __name__ == "__main__":
    common.run(__doc__.split("\n", 1)[0], answer)
