//! APFS containers: which blocks are in use, by the space manager of the newest sound checkpoint.
//!
//! A checkpoint is a container superblock with the objects that go with it, written to places of their own before the superblock
//! is, so the newest whose checksums hold describes the container by itself and nothing has to be replayed. Its space
//! manager leads by chunk-address blocks (in containers of many TB) and chunk-info blocks to one bitmap for each chunk. Blocks that
//! were freed lately are still marked as in use, and count as that. All of this is in clear where volumes are encrypted.
//!
//! Superblocks, maps, space manager and chunk information have checksums; bitmaps have none, but each must have as many bits set as
//! its chunk has blocks in use, and all chunks together as many as the space manager counts.
//!
//! Source of all formats: Apple File System Reference (2020), and where that could not be seen the structures as apfsprogs
//! (include/apfs/raw.h, apfsck) and libfsapfs (documentation) have them, held against containers that macOS and mkapfs made.

mod checkpoint;
mod chunks;
mod container;
mod object;
mod space_manager;
mod superblock;
mod volume;

pub(super) use volume::read;
