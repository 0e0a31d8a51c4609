//! Btrfs on one device, read without mounting: every subvolume and snapshot, every name with the place of its bytes.
//!
//! Every block of a table is proven by its checksum before it is used, and contents carry theirs along: whoever copies them reads
//! them against these. What a crash left in the log of the last seconds is not applied here: where the kernel can, it does so on
//! a mount above a scratch, and the tables are read there. Memory: the keys of extents and the places of checksums, 16 to 40
//! bytes each, and with snapshots 32 bytes for each file.
//! Facts: the kernel's documentation of the format ("On-disk Format", btrfs.readthedocs.io) and its header `btrfs_tree.h`.
//!
//! Invariant: nothing missing looks whole. A block that cannot be read, contradicts itself or has a wrong checksum, a place that
//! no chunk holds, an extent that the volume's own book does not have, or gives to two, a sector without the checksum that it
//! should have: each is a mark on the items concerned or an open point, never silence. What the format cannot know stays unknown:
//! files without checksums, which people ask for (`nodatacow`), have none.

mod chunks;
mod files;
mod gather;
mod handover;
mod item;
mod owners;
mod sums;
mod superblock;
mod survey;
mod tree;

pub use handover::begins_subvolume;
pub use survey::{log_waits, survey};
